"""The statements on tickets, their events, moves and the outbox; the schema is in `migrations/0002_tickets.sql`."""

from farmwatch.store.sql import COUNTS

__all__: list[str] = []

_FIELDS = (
    "number", "machine", "cause", "phase", "revision", "advice", "opened_at", "changed_at", "priority", "due",
    "range_mm", "predicted_mm", "plan", "bed_celsius", "remark", "work_from", "work_until", "method", "closed_at",
    "closed_range_mm", "accepted_limit_mm", "accepted_until",
)  # fmt: skip
TICKET_FIELDS = _FIELDS
TIMES = frozenset({"opened_at", "changed_at", "work_from", "work_until", "closed_at", "accepted_until"})

_COLUMNS = ", ".join(f"epoch_us({name}) AS {name}" if name in TIMES else name for name in _FIELDS)
_VALUES = ", ".join(f"make_timestamptz(${name}::BIGINT)" if name in TIMES else f"${name}" for name in _FIELDS)

INSERT_TICKET = f"INSERT INTO tickets ({', '.join(_FIELDS)}) VALUES ({_VALUES})"

NEXT_NUMBER = "SELECT coalesce(max(number), 0) + 1 FROM tickets"

# A ticket is rewritten whole, and only from the revision that was read.
UPDATE_TICKET = (
    "UPDATE tickets SET "
    + ", ".join(
        f"{name} = make_timestamptz(${name}::BIGINT)" if name in TIMES else f"{name} = ${name}"
        for name in _FIELDS
        if name != "number"
    )
    + " WHERE number = $number AND revision = $read_revision"
)

TICKETS = f"""
SELECT {_COLUMNS} FROM tickets
WHERE ($names::VARCHAR[] IS NULL OR list_contains($names::VARCHAR[], machine))
ORDER BY number
"""

TICKET = f"SELECT {_COLUMNS} FROM tickets WHERE number = $number"

INSERT_EVENT = "INSERT INTO ticket_events VALUES (?, make_timestamptz(?), ?, ?, ?, ?, ?)"

EVENTS = """
SELECT number, epoch_us("at"), action, from_phase, to_phase, "by", why FROM ticket_events
WHERE ($number::INTEGER IS NULL OR number = $number::INTEGER)
ORDER BY CASE WHEN $number::INTEGER IS NULL THEN "at" END, rowid
"""

# The open tickets as they stood at a time, told from their events; of a machine that has two, the one about its bed
# comes first.
# An `assign` says in its reason to whom the ticket was given.
OPEN_TICKETS = """
WITH past AS (
    SELECT *, row_number() OVER (PARTITION BY number ORDER BY "at" DESC, rowid DESC) AS back FROM ticket_events
    WHERE ($until::BIGINT IS NULL OR "at" <= make_timestamptz($until::BIGINT))
      AND NOT list_contains($undone::BIGINT[], rowid)
)
SELECT tickets.machine, number, arg_min(to_phase, back) AS stands,
       epoch_us(max(past."at") FILTER (from_phase IS DISTINCT FROM to_phase)),
       arg_min(CASE action WHEN 'take' THEN "by" WHEN 'assign' THEN why ELSE '' END, back)
           FILTER (action IN ('take', 'assign', 'put-back')),
       tickets.cause = 'host', epoch_us(max(past."at") FILTER (action = 'done'))
FROM past JOIN tickets USING (number)
WHERE ($names::VARCHAR[] IS NULL OR list_contains($names::VARCHAR[], tickets.machine))
GROUP BY tickets.machine, number, tickets.cause
HAVING stands NOT IN ('proven', 'accepted', 'nothing-found', 'withdrawn')
ORDER BY tickets.machine, tickets.cause = 'host', number DESC
"""

# Machines at which somebody works just now, by their ticket.
IN_WORK = "SELECT DISTINCT machine FROM tickets WHERE phase = 'in-work'"

# Of the tickets of which something was undone, all that was done to them.
OF_UNDONE = """
SELECT number, action, rowid FROM ticket_events
WHERE number IN (SELECT number FROM ticket_events WHERE action = 'undo')
  AND ($until::BIGINT IS NULL OR "at" <= make_timestamptz($until::BIGINT))
ORDER BY number, rowid
"""

# What was read while a ticket was in work by mistake was read on a machine at which nobody worked.
NOT_IN_WORK = """
UPDATE readings SET during_work = false
WHERE machine = $machine AND during_work
  AND seen_at BETWEEN make_timestamptz($taken::BIGINT) AND make_timestamptz($undone::BIGINT)
"""

WORKS = """
SELECT machine, number, to_phase = 'in-work', epoch_us("at")
FROM ticket_events JOIN tickets USING (number)
WHERE coalesce(from_phase = 'in-work', false) <> (to_phase = 'in-work')
  AND NOT list_contains($undone::BIGINT[], ticket_events.rowid)
  AND ($names::VARCHAR[] IS NULL OR list_contains($names::VARCHAR[], machine))
  AND ($until::BIGINT IS NULL OR "at" <= make_timestamptz($until::BIGINT))
ORDER BY machine, number, ticket_events.rowid
"""

INSERT_MOVE = """
INSERT INTO realign_moves (machine, ticket, "at", "by", screw, teeth, mm, before_at, after_at, moved_mm, moved_sd_mm,
    range_before_mm, range_after_mm, read_by, made_with)
VALUES ($machine, $ticket, make_timestamptz($at::BIGINT), $by, $screw, $teeth, $mm,
    make_timestamptz($before_at::BIGINT), make_timestamptz($after_at::BIGINT), $moved_mm, $moved_sd_mm,
    $range_before_mm, $range_after_mm, $read_by, $made_with)
"""

# A move was made, whatever became of its meshes; but what it did is told by those that count alone.
MOVES = f"""
WITH aside AS (SELECT DISTINCT machine, taken_at FROM readings WHERE NOT ({COUNTS}))
SELECT machine, ticket, epoch_us("at"), "by", screw, teeth, mm, epoch_us(before_at), epoch_us(after_at),
       CASE WHEN seen THEN moved_mm END, CASE WHEN seen THEN moved_sd_mm END, range_before_mm,
       CASE WHEN seen THEN range_after_mm END, read_by, made_with
FROM (
    SELECT *, rowid AS id, (machine, before_at) NOT IN (SELECT (machine, taken_at) FROM aside)
           AND (after_at IS NULL OR (machine, after_at) NOT IN (SELECT (machine, taken_at) FROM aside)) AS seen
    FROM realign_moves WHERE {COUNTS}
)
WHERE ($names::VARCHAR[] IS NULL OR list_contains($names::VARCHAR[], machine))
  AND ($until::BIGINT IS NULL OR "at" <= make_timestamptz($until::BIGINT))
ORDER BY "at", id
"""

# What is to be said of tickets comes from their events, so that nothing is lost between an event and its message; the
# n-th event of a ticket is known by n.
UNANNOUNCED = """
SELECT number, nth, epoch_us("at"), action, from_phase, to_phase, "by", why FROM (
    SELECT *, row_number() OVER (PARTITION BY number ORDER BY rowid) AS nth FROM ticket_events
) WHERE "at" >= make_timestamptz($since) AND NOT EXISTS (
    SELECT 1 FROM outbox WHERE outbox.key = $channel || '/ticket-' || number || '-' || nth
)
ORDER BY "at", number, nth
"""

PUT = """
INSERT INTO outbox VALUES ($key, $channel, make_timestamptz($at), make_timestamptz($at), 0, '', NULL, NULL, $content)
ON CONFLICT (key) DO NOTHING
"""

_LETTERS = """
SELECT key, channel, epoch_us(created_at), epoch_us(next_try_at), tries, last_fault, content
FROM outbox
"""

# Nothing waits for longer than hours: a later try was set by a clock that was ahead.
_IS_DUE = "(next_try_at <= make_timestamptz($at) OR next_try_at > make_timestamptz($at) + INTERVAL 1 DAY)"

DUE = f"""{_LETTERS}
WHERE delivered_at IS NULL AND given_up_at IS NULL AND {_IS_DUE}
ORDER BY created_at, key LIMIT $most
"""

WAITING = f"{_LETTERS} WHERE delivered_at IS NULL AND given_up_at IS NULL ORDER BY created_at, key"

LETTER = f"{_LETTERS} WHERE key = $key"

DELIVERED = (
    "UPDATE outbox SET delivered_at = make_timestamptz($at), tries = tries + 1, last_fault = '' WHERE key = $key"
)

FAILED = """
UPDATE outbox SET next_try_at = make_timestamptz($next), tries = tries + 1, last_fault = $fault
WHERE key = $key AND delivered_at IS NULL
"""

GIVE_UP = """
UPDATE outbox SET given_up_at = make_timestamptz($at)
WHERE key = $key AND delivered_at IS NULL AND given_up_at IS NULL
"""

FORGET = """
UPDATE outbox SET content = ''
WHERE content <> '' AND (delivered_at < make_timestamptz($before) OR given_up_at < make_timestamptz($before))
"""

DROP_PENDING_MOVES = f"DELETE FROM realign_moves WHERE machine = $machine AND after_at IS NULL AND {COUNTS}"

CLAIM = """
INSERT INTO attended VALUES (?, ?, ?, make_timestamptz(?), make_timestamptz(?))
ON CONFLICT (machine) DO UPDATE SET session = excluded.session, "by" = excluded."by", since = excluded.since,
    seen_at = excluded.seen_at
"""

CLAIMS = """
SELECT machine, session, "by", epoch_us(since), epoch_us(seen_at) FROM attended
WHERE seen_at > make_timestamptz($after) AND seen_at < make_timestamptz($before) ORDER BY machine
"""

# What was tried, waits since before a time, and cannot be delivered.
FAILING_DELIVERIES = """
SELECT count(*), epoch_us(min(created_at)), arg_max(last_fault, next_try_at) FROM outbox
WHERE delivered_at IS NULL AND given_up_at IS NULL AND tries > 0 AND last_fault <> ''
  AND created_at <= make_timestamptz($before)
"""

# Whether there is anything for a delivery to do, and how much waits in all.
WAITING_DELIVERIES = f"""
SELECT count(*) FILTER ({_IS_DUE}), count(*) FROM outbox
WHERE delivered_at IS NULL AND given_up_at IS NULL
"""
