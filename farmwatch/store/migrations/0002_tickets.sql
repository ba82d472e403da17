-- Tickets, what happened to them, the moves of realignments, and what waits to be delivered.

-- One ticket carries one machine and one cause. `revision` grows with every change, so that of two people who act
-- on what they read, one wins and the other is told.
CREATE TABLE tickets (
    number INTEGER PRIMARY KEY,
    machine VARCHAR NOT NULL,
    cause VARCHAR NOT NULL,
    phase VARCHAR NOT NULL,
    revision INTEGER NOT NULL,
    advice VARCHAR[] NOT NULL,
    opened_at TIMESTAMPTZ NOT NULL,
    changed_at TIMESTAMPTZ NOT NULL,
    priority INTEGER NOT NULL,
    due DATE,
    range_mm DOUBLE,
    predicted_mm DOUBLE,
    plan VARCHAR NOT NULL,
    bed_celsius DOUBLE,
    remark VARCHAR NOT NULL,
    work_from TIMESTAMPTZ,
    work_until TIMESTAMPTZ,
    method VARCHAR,
    closed_at TIMESTAMPTZ,
    closed_range_mm DOUBLE,
    accepted_limit_mm DOUBLE,
    accepted_until TIMESTAMPTZ
);

CREATE TABLE ticket_events (
    number INTEGER NOT NULL,
    "at" TIMESTAMPTZ NOT NULL,
    action VARCHAR NOT NULL,
    from_phase VARCHAR,
    to_phase VARCHAR NOT NULL,
    "by" VARCHAR NOT NULL,
    why VARCHAR NOT NULL
);

-- One turn of one screw as it was told, teeth positive for clockwise seen from below, and what the next mesh showed.
CREATE TABLE realign_moves (
    machine VARCHAR NOT NULL,
    ticket INTEGER,
    "at" TIMESTAMPTZ NOT NULL,
    "by" VARCHAR NOT NULL,
    screw VARCHAR NOT NULL,
    teeth INTEGER,
    mm DOUBLE,
    before_at TIMESTAMPTZ NOT NULL,
    after_at TIMESTAMPTZ,
    moved_mm DOUBLE,
    moved_sd_mm DOUBLE,
    range_before_mm DOUBLE NOT NULL,
    range_after_mm DOUBLE
);

-- Who attends to a machine in a guided realignment, and when that was last heard of.
CREATE TABLE attended (
    machine VARCHAR PRIMARY KEY,
    session VARCHAR NOT NULL,
    "by" VARCHAR NOT NULL,
    since TIMESTAMPTZ NOT NULL,
    seen_at TIMESTAMPTZ NOT NULL
);

-- What is to be delivered, at least once, under a key that the receiver can know again.
CREATE TABLE outbox (
    key VARCHAR PRIMARY KEY,
    channel VARCHAR NOT NULL,
    created_at TIMESTAMPTZ NOT NULL,
    next_try_at TIMESTAMPTZ NOT NULL,
    tries INTEGER NOT NULL,
    last_fault VARCHAR NOT NULL,
    delivered_at TIMESTAMPTZ,
    given_up_at TIMESTAMPTZ,
    content VARCHAR NOT NULL
);
