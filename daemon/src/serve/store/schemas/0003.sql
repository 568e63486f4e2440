-- A database of version 3, as the program made it that had these three migrations; a few invented rows in every table.

BEGIN TRANSACTION;
CREATE TABLE _sqlx_migrations (
    version BIGINT PRIMARY KEY,
    description TEXT NOT NULL,
    installed_on TIMESTAMP NOT NULL DEFAULT CURRENT_TIMESTAMP,
    success BOOLEAN NOT NULL,
    checksum BLOB NOT NULL,
    execution_time BIGINT NOT NULL
);
INSERT INTO "_sqlx_migrations" VALUES(1,'begin','2000-01-01 00:00:00',1,X'C46517EA77C99D320BD4363D50DA639BE008A561DF0840B8102CFC485155495A71E52DF1253D68D97E6BFF5B2C183022',1000);
INSERT INTO "_sqlx_migrations" VALUES(2,'used','2000-01-01 00:00:00',1,X'A0EF39EFDDD0BB47E1D2C3F95E0175796358AC678C26053E62E4B33065AAB2FB94D8267BC3135DA74BD54FF5F57E2C4B',1000);
INSERT INTO "_sqlx_migrations" VALUES(3,'versions','2000-01-01 00:00:00',1,X'405BCD357B204931AE77980D563123FFC9D02FFE0C38F5EBC86EE83635147157D135DEBC89E780C6C64F9C2B1590C510',1000);
CREATE TABLE audit (
    id     INTEGER PRIMARY KEY AUTOINCREMENT,
    at     TEXT NOT NULL,
    who    TEXT,
    way    TEXT,
    what   TEXT NOT NULL,
    detail TEXT NOT NULL
) STRICT;
INSERT INTO "audit" VALUES(1,'2000-01-01T08:00:00Z','A. Person','socket','submit','job 1');
CREATE TABLE house (
    key   TEXT NOT NULL PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO "house" VALUES('held','somebody looks at the rig');
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
INSERT INTO "jobs" VALUES(1,'invented','ended',NULL,NULL,'A. Person','2000-01-01T08:00:00Z','{"name":"invented","job":"","files":{}}','["INVENTED-1"]','m',2,60.0,NULL);
INSERT INTO "jobs" VALUES(2,'invented','waiting',NULL,1,'A. Person','2000-01-02T08:00:00Z','{"name":"invented","job":"","files":{}}','["INVENTED-1"]','m',2,60.0,NULL);
CREATE TABLE keys (
    key    TEXT NOT NULL,
    who    TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    job    INTEGER NOT NULL REFERENCES jobs (job),
    PRIMARY KEY (who, key)
) STRICT, WITHOUT ROWID;
INSERT INTO "keys" VALUES('k','A. Person','00',1);
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
INSERT INTO "points" VALUES('INVENTED-1',1,0,10.0,'accepted',0.05,'V/(m/s²)',0.6);
INSERT INTO "points" VALUES('INVENTED-1',1,1,20.0,'rejected',NULL,'V/(m/s²)',NULL);
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
INSERT INTO "registers" VALUES('reference','INVENTED-R','00','C-1','{}','invented-1','2000-01-01T09:00:00Z');
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
INSERT INTO "run_sensors" VALUES('INVENTED-1',1,0,'pass','s1','INVENTED-K','plate');
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
INSERT INTO "runs" VALUES(1,'invented-1',1,'invented','released',1,'2000-01-01T09:00:00Z','2000-01-01T09:10:00Z','done',NULL,NULL,'INVENTED-R','C-1','climate',22.5,23.5,2);
CREATE TABLE used (
    number  INTEGER NOT NULL REFERENCES runs (number) ON DELETE CASCADE,
    role    TEXT NOT NULL CHECK (role IN
        ('reference', 'second_reference', 'conditioner', 'channel', 'fixture', 'ambient', 'check_standard')),
    serial  TEXT NOT NULL,
    version TEXT,
    day     TEXT NOT NULL
) STRICT;
INSERT INTO "used" VALUES(1,'reference','QB-R-INVENTED','C-1','2000-01-01');
CREATE TABLE versions (
    id     INTEGER PRIMARY KEY AUTOINCREMENT,
    kind   TEXT NOT NULL CHECK (kind IN ('rig', 'template')),
    file   TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    text   TEXT NOT NULL,
    at     TEXT NOT NULL,
    who    TEXT,
    reason TEXT NOT NULL
) STRICT;
INSERT INTO "versions" VALUES(1,'rig','rig.toml','0000000000000000000000000000000000000000000000000000000000000000','format = 1','2000-01-01T08:00:00Z','A. Person','as found');
CREATE INDEX jobs_by_stage ON jobs (stage, place);
CREATE INDEX runs_by_job ON runs (job, number);
CREATE INDEX runs_by_state ON runs (state, number);
CREATE INDEX runs_by_reference ON runs (reference_serial, reference_calibration, number);
CREATE INDEX run_sensors_by_run ON run_sensors (number, place);
CREATE INDEX run_sensors_by_channel ON run_sensors (channel, number);
CREATE INDEX run_sensors_by_conditioner ON run_sensors (conditioner, number);
CREATE INDEX run_sensors_by_fixture ON run_sensors (fixture, number);
CREATE INDEX points_by_run ON points (number);
CREATE INDEX used_by_serial ON used (serial, number, role, version, day);
CREATE INDEX used_by_run ON used (number);
CREATE INDEX versions_by_kind ON versions (kind, id);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('jobs',2);
INSERT INTO "sqlite_sequence" VALUES('runs',1);
INSERT INTO "sqlite_sequence" VALUES('audit',1);
INSERT INTO "sqlite_sequence" VALUES('versions',1);
COMMIT;
