-- Why a person set an entry aside; NULL while it counts. It stays where it is and can be put back in.
ALTER TABLE readings ADD COLUMN set_aside VARCHAR;
ALTER TABLE notes ADD COLUMN set_aside VARCHAR;
ALTER TABLE realign_moves ADD COLUMN set_aside VARCHAR;

-- Who set what aside and who put it back in: `from` is the table, `entries` how many it was.
CREATE TABLE set_aside_log (
    machine VARCHAR NOT NULL,
    "at" TIMESTAMPTZ NOT NULL,
    "from" VARCHAR NOT NULL,
    put_back BOOLEAN NOT NULL,
    since TIMESTAMPTZ NOT NULL,
    until TIMESTAMPTZ NOT NULL,
    entries INTEGER NOT NULL,
    "by" VARCHAR NOT NULL,
    why VARCHAR NOT NULL
);
