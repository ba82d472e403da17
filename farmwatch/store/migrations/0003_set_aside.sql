-- Entries that a clock far ahead had dated: they stand aside for good, each as it was, as JSON.
CREATE TABLE set_aside (
    "from" VARCHAR NOT NULL,
    machine VARCHAR NOT NULL,
    "at" TIMESTAMPTZ NOT NULL,
    set_aside_at TIMESTAMPTZ NOT NULL,
    entry VARCHAR NOT NULL
);
