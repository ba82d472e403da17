-- Readings, polls and what people enter. Times are TIMESTAMPTZ, lengths mm, heights bed-up.

-- Heights row by row from the front; a missing point is NULL in the list. Readings with the same x and y share a grid
-- number, so that a scan need not read coordinates. No index: a bulk insert would pay for it, and the same reading
-- again is kept out by a join on (machine, taken_at, digest).
CREATE TABLE readings (
    machine VARCHAR NOT NULL,
    taken_at TIMESTAMPTZ NOT NULL,
    seen_at TIMESTAMPTZ NOT NULL,
    time_from VARCHAR NOT NULL,
    "rows" INTEGER NOT NULL,
    "columns" INTEGER NOT NULL,
    x DOUBLE[] NOT NULL,
    y DOUBLE[] NOT NULL,
    grid BIGINT NOT NULL,
    heights DOUBLE[] NOT NULL,
    bed_celsius DOUBLE,
    celsius_is VARCHAR NOT NULL,
    plate VARCHAR,
    range_mm DOUBLE NOT NULL,
    digest VARCHAR NOT NULL,
    during_work BOOLEAN NOT NULL
);

CREATE TABLE polls (
    machine VARCHAR NOT NULL,
    "at" TIMESTAMPTZ NOT NULL,
    outcome VARCHAR NOT NULL,
    reason VARCHAR NOT NULL,
    seconds DOUBLE NOT NULL
);

-- One row a machine, kept in step with polls, so that "when did it last answer" needs no scan of years of polls.
CREATE TABLE answers (
    machine VARCHAR PRIMARY KEY,
    polled_at TIMESTAMPTZ NOT NULL,
    outcome VARCHAR NOT NULL,
    reason VARCHAR NOT NULL,
    answered_at TIMESTAMPTZ,
    understood_at TIMESTAMPTZ
);

CREATE TABLE notes (
    machine VARCHAR NOT NULL,
    "at" TIMESTAMPTZ NOT NULL,
    what VARCHAR NOT NULL,
    "by" VARCHAR NOT NULL,
    "text" VARCHAR NOT NULL
);

-- `until` is NULL while nobody has said when it is back; `back_at` is set when somebody brings it back.
CREATE TABLE out_of_service (
    machine VARCHAR NOT NULL,
    since TIMESTAMPTZ NOT NULL,
    reason VARCHAR NOT NULL,
    until TIMESTAMPTZ,
    back_at TIMESTAMPTZ
);

-- What a host called itself at first contact; another answer at that address is another machine.
CREATE TABLE identities (
    machine VARCHAR PRIMARY KEY,
    identity VARCHAR NOT NULL,
    pinned_at TIMESTAMPTZ NOT NULL
);

-- The last-run record: a weekly report that was missed is caught up once, from here.
CREATE TABLE runs (
    name VARCHAR NOT NULL,
    "at" TIMESTAMPTZ NOT NULL,
    detail VARCHAR NOT NULL
);
