-- The queue, the index of runs, registers with their versions, the audit. Runs are indexed from their directories, which are
-- the record: everything from `runs` down can be derived again by `calwright reindex`.

CREATE TABLE jobs (
    job          INTEGER PRIMARY KEY AUTOINCREMENT,
    name         TEXT NOT NULL,
    stage        TEXT NOT NULL CHECK (stage IN ('waiting', 'held', 'running', 'ended', 'cancelled')),
    why          TEXT,
    place        INTEGER,
    submitted_by TEXT NOT NULL,
    submitted    TEXT NOT NULL,
    submission   TEXT NOT NULL,
    serials      TEXT NOT NULL,
    mounted      TEXT NOT NULL,
    points       INTEGER NOT NULL,
    rig_s        REAL NOT NULL,
    continues    TEXT
) STRICT;
CREATE INDEX jobs_by_stage ON jobs (stage, place);

CREATE TABLE runs (
    number                INTEGER PRIMARY KEY AUTOINCREMENT,
    run                   TEXT NOT NULL UNIQUE,
    job                   INTEGER REFERENCES jobs (job),
    name                  TEXT NOT NULL,
    state                 TEXT NOT NULL CHECK (state IN ('running', 'draft', 'released', 'amended')),
    simulated             INTEGER NOT NULL,
    started               TEXT NOT NULL,
    ended                 TEXT,
    outcome               TEXT,
    trip                  TEXT,
    hold                  TEXT,
    reference_serial      TEXT,
    reference_calibration TEXT,
    ambient_sensor        TEXT,
    temperature_degc_min  REAL,
    temperature_degc_max  REAL,
    points                INTEGER NOT NULL
) STRICT;
CREATE INDEX runs_by_job ON runs (job, number);
CREATE INDEX runs_by_state ON runs (state, number);
CREATE INDEX runs_by_reference ON runs (reference_serial, reference_calibration, number);

CREATE TABLE run_sensors (
    serial      TEXT NOT NULL,
    number      INTEGER NOT NULL REFERENCES runs (number) ON DELETE CASCADE,
    place       INTEGER NOT NULL,
    decision    TEXT,
    channel     TEXT,
    conditioner TEXT,
    fixture     TEXT,
    PRIMARY KEY (serial, number)
) STRICT, WITHOUT ROWID;
CREATE INDEX run_sensors_by_run ON run_sensors (number, place);
CREATE INDEX run_sensors_by_channel ON run_sensors (channel, number);
CREATE INDEX run_sensors_by_conditioner ON run_sensors (conditioner, number);
CREATE INDEX run_sensors_by_fixture ON run_sensors (fixture, number);

CREATE TABLE points (
    serial           TEXT NOT NULL,
    number           INTEGER NOT NULL REFERENCES runs (number) ON DELETE CASCADE,
    point            INTEGER NOT NULL,
    frequency_hz     REAL NOT NULL,
    status           TEXT NOT NULL,
    sensitivity      REAL,
    sensitivity_unit TEXT NOT NULL,
    u_rel_percent    REAL,
    PRIMARY KEY (serial, number, point)
) STRICT, WITHOUT ROWID;
CREATE INDEX points_by_run ON points (number);

CREATE TABLE registers (
    kind    TEXT NOT NULL CHECK (kind IN ('sensor', 'reference')),
    serial  TEXT NOT NULL,
    sha256  TEXT NOT NULL,
    version TEXT,
    entry   TEXT NOT NULL,
    run     TEXT NOT NULL,
    since   TEXT NOT NULL,
    PRIMARY KEY (kind, serial, sha256)
) STRICT, WITHOUT ROWID;

CREATE TABLE audit (
    id     INTEGER PRIMARY KEY AUTOINCREMENT,
    at     TEXT NOT NULL,
    who    TEXT,
    way    TEXT,
    what   TEXT NOT NULL,
    detail TEXT NOT NULL
) STRICT;

CREATE TABLE keys (
    key    TEXT NOT NULL,
    who    TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    job    INTEGER NOT NULL REFERENCES jobs (job),
    PRIMARY KEY (who, key)
) STRICT, WITHOUT ROWID;

CREATE TABLE house (
    key   TEXT NOT NULL PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;
