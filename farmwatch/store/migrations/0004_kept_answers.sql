-- By which mapping a reading was read; NULL where that is not known: imported, or from before this was kept.
ALTER TABLE readings ADD COLUMN read_by VARCHAR;

-- What hosts answered, compressed, so that it can be read anew when a mapping was wrong; known by its reading.
CREATE TABLE kept_answers (
    machine VARCHAR NOT NULL,
    taken_at TIMESTAMPTZ NOT NULL,
    digest VARCHAR NOT NULL,
    answer BLOB NOT NULL
);

-- When readings were read anew, how many and by which mapping.
CREATE TABLE rereads (
    machine VARCHAR NOT NULL,
    "at" TIMESTAMPTZ NOT NULL,
    readings INTEGER NOT NULL,
    read_by VARCHAR NOT NULL
);
