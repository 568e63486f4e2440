-- What every run was measured with, with the version of its calibration, so that a recall can be asked. It is derived from the
-- run directories; runs that are in the index already are filled in by `calwright reindex`, and until then nobody is told that
-- a list of them is whole.

CREATE TABLE used (
    number  INTEGER NOT NULL REFERENCES runs (number) ON DELETE CASCADE,
    role    TEXT NOT NULL CHECK (role IN
        ('reference', 'second_reference', 'conditioner', 'channel', 'fixture', 'ambient', 'check_standard')),
    serial  TEXT NOT NULL,
    version TEXT,
    day     TEXT NOT NULL
) STRICT;
-- Whole, so that a list is read from the index alone.
CREATE INDEX used_by_serial ON used (serial, number, role, version, day);
CREATE INDEX used_by_run ON used (number);

INSERT INTO house (key, value)
    SELECT 'reindex', 'used' WHERE EXISTS (SELECT 1 FROM runs WHERE state <> 'running');
