-- Every rig file and certificate template that was in force, with who put it there, when and why.

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
CREATE INDEX versions_by_kind ON versions (kind, id);
