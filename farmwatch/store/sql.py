"""Every statement the store runs, beside the schema in `migrations/`."""

from farmwatch.store.reading_facts import FACTS

__all__: list[str] = []

# The same reading again is harmless: it is known by machine, time and digest. The bounds let DuckDB skip every block
# that is older than what comes in.
STANDING = """
SELECT n.i FROM readings r
JOIN new_readings n ON r.machine = n.machine AND r.taken_at = make_timestamptz(n.taken_us) AND r.digest = n.digest
WHERE r.taken_at BETWEEN make_timestamptz($first) AND make_timestamptz($last)
"""

INSERT_READINGS = f"""
INSERT INTO readings (machine, taken_at, "rows", "columns", x, y, grid, heights, range_mm, digest,
                      {", ".join(fact.name for fact in FACTS)})
SELECT n.machine, make_timestamptz(n.taken_us), len(g.y), len(g.x), g.x, g.y, n.grid, {{heights}},
       n.range_mm, n.digest, {", ".join(fact.insert for fact in FACTS)}
FROM new_readings n JOIN new_grids g ON g.g = n.g
ORDER BY n.i
"""

# The same poll again (from the pending file) is harmless too.
INSERT_POLLS = """
INSERT INTO polls
SELECT DISTINCT n.machine, make_timestamptz(n.at_us) AS polled_at, n.outcome, n.reason, n.seconds
FROM new_polls n
WHERE NOT EXISTS (
    SELECT 1 FROM polls p
    WHERE p."at" = make_timestamptz(n.at_us) AND p.machine = n.machine AND p.outcome = n.outcome
)
ORDER BY polled_at, n.machine
"""

MERGE_ANSWERS = """
INSERT INTO answers
SELECT machine, make_timestamptz(max(at_us)), arg_max(outcome, at_us), arg_max(reason, at_us),
       make_timestamptz(max(at_us) FILTER (list_contains($answered, outcome))),
       make_timestamptz(max(at_us) FILTER (list_contains($understood, outcome)))
FROM new_polls GROUP BY machine
ON CONFLICT (machine) DO UPDATE SET
    outcome = CASE WHEN excluded.polled_at >= answers.polled_at THEN excluded.outcome ELSE answers.outcome END,
    reason = CASE WHEN excluded.polled_at >= answers.polled_at THEN excluded.reason ELSE answers.reason END,
    polled_at = greatest(excluded.polled_at, answers.polled_at),
    answered_at = greatest(excluded.answered_at, answers.answered_at),
    understood_at = greatest(excluded.understood_at, answers.understood_at)
"""

LAST_ANSWERS = """
SELECT machine, epoch_us(polled_at), outcome, reason, epoch_us(answered_at), epoch_us(understood_at)
FROM answers ORDER BY machine
"""

NEWEST_POLL = "SELECT epoch_us(max(polled_at)) FROM answers"

LAST_ANSWERS_UNTIL = """
SELECT machine, epoch_us(max("at")), arg_max(outcome, "at"), arg_max(reason, "at"),
       epoch_us(max("at") FILTER (list_contains($answered, outcome))),
       epoch_us(max("at") FILTER (list_contains($understood, outcome)))
FROM polls WHERE "at" <= make_timestamptz($until) GROUP BY machine ORDER BY machine
"""

POLLS = """
SELECT machine, epoch_us("at"), outcome, reason, seconds FROM polls
WHERE "at" >= make_timestamptz($since) AND "at" <= make_timestamptz($until)
  AND ($names IS NULL OR list_contains($names, machine))
ORDER BY "at", machine, outcome
"""

# A year on, what matters of polls is when a host's outcome changed: the first of each run of like outcomes, a day.
THIN_POLLS = """
DELETE FROM polls WHERE rowid IN (
    SELECT id FROM (
        SELECT rowid AS id,
               outcome = lag(outcome) OVER day AS like_before, outcome = lead(outcome) OVER day AS like_after
        FROM polls WHERE "at" < make_timestamptz($before)
        WINDOW day AS (PARTITION BY machine, date_trunc('day', "at") ORDER BY "at", rowid)
    ) WHERE like_before AND like_after
)
"""

# What a person has set aside is kept, shown as such, and read by nobody else.
COUNTS = "set_aside IS NULL"

_WANTED = """
WHERE ($names::VARCHAR[] IS NULL OR list_contains($names::VARCHAR[], machine))
  AND ($until::BIGINT IS NULL OR taken_at <= make_timestamptz($until::BIGINT))
"""

_COUNTING = f"{_WANTED} AND {COUNTS}"

_HASHED = ("rowid", "taken_at", "digest", "grid", "set_aside", *(fact.name for fact in FACTS))

# hash() mixes what it is given in its order: given the other way round it says something else of the same row.
READING_STAMPS = f"""
SELECT machine, count(*) || '/' || sum(one) || '/' || bit_xor(other)
FROM (SELECT machine, hash({", ".join(_HASHED)}) AS one, hash({", ".join(reversed(_HASHED))}) AS other
      FROM readings {_WANTED})
GROUP BY machine
"""

NAMES = f"SELECT DISTINCT machine FROM readings {_COUNTING} ORDER BY machine"

# Names and words come as numbers: making a million Python strings costs more than reading the heights.
READINGS = f"""
WITH names AS (
    SELECT machine, row_number() OVER (ORDER BY machine) - 1 AS code
    FROM (SELECT DISTINCT machine FROM readings {_COUNTING})
)
SELECT readings.rowid AS id, code, epoch_us(taken_at) AS taken_at, epoch_us(seen_at) AS seen_at,
       "rows" AS n_rows, "columns" AS n_columns, grid, bed_celsius, celsius_is = 'now' AS is_now,
       list_position($times_from, time_from) AS time_from, plate, during_work, read_by
FROM readings JOIN names USING (machine) {_COUNTING} ORDER BY id
"""

GRIDS = "SELECT grid, x, y FROM readings WHERE rowid IN (SELECT unnest($ids::BIGINT[]))"

# The row id comes along in front of each row's heights, so that they are known to belong to it.
HEIGHTS = f"""
SELECT coalesce(v, 'nan'::DOUBLE) AS v
FROM (SELECT unnest(list_prepend(rowid::DOUBLE, heights)) AS v FROM readings {_COUNTING})
"""

# DuckDB keeps the order of a scan of the whole table, not always that of a few machines' rows out of many.
HEIGHTS_IN_ORDER = f"""
SELECT coalesce(v, 'nan'::DOUBLE) AS v
FROM (SELECT unnest(list_prepend(id::DOUBLE, heights)) AS v
      FROM (SELECT rowid AS id, heights FROM readings {_COUNTING} ORDER BY id))
"""

# The newest time of each machine first: to compare whole rows of the few that are left costs a quarter of comparing
# those of all.
_LATEST = f"""
SELECT arg_max(readings.rowid, (seen_at, readings.rowid))
FROM readings JOIN (SELECT machine, max(taken_at) AS taken_at FROM readings {_WANTED} GROUP BY machine) newest
ON readings.machine = newest.machine AND readings.taken_at = newest.taken_at
GROUP BY readings.machine
"""

LAST_DIGESTS = f"""
SELECT machine, epoch_us(taken_at), epoch_us(seen_at), time_from, digest, {COUNTS}
FROM readings WHERE rowid IN ({_LATEST}) ORDER BY machine
"""

WHOLE_READING = f"""
SELECT machine, epoch_us(taken_at), "rows", "columns", x, y, heights, {", ".join(fact.select for fact in FACTS)}
FROM readings
"""

# Rows are numbered from 0; a number is missing where a reading was set aside.
READINGS_END = "SELECT coalesce(max(rowid) + 1, 0) FROM readings"

SLICE = f"{WHOLE_READING} WHERE rowid >= $start AND rowid < $stop ORDER BY rowid"

PARQUET = f"""
COPY (
    SELECT machine, taken_at, x, y,
           [heights[k * "columns" + 1 : (k + 1) * "columns"] FOR k IN range("rows")] AS heights,
           {", ".join(fact.name for fact in FACTS)}
    FROM readings WHERE rowid >= {{start}} AND rowid < {{stop}} ORDER BY rowid
) TO {{file}} (FORMAT parquet, COMPRESSION zstd)
"""

LATEST = f"""{WHOLE_READING} WHERE rowid IN ({_LATEST}) ORDER BY machine
"""

INSERT_NOTE = """
INSERT INTO notes (machine, "at", what, "by", "text") VALUES (?, make_timestamptz(?), ?, ?, ?)
"""

NOTES = f"""
SELECT machine, epoch_us("at"), what, "by", "text" FROM notes
WHERE {COUNTS} AND ($names::VARCHAR[] IS NULL OR list_contains($names::VARCHAR[], machine))
  AND ($until::BIGINT IS NULL OR "at" <= make_timestamptz($until::BIGINT))
ORDER BY "at", rowid
"""

TAKE_OUT = "INSERT INTO out_of_service VALUES (?, make_timestamptz(?), ?, make_timestamptz(?::BIGINT), NULL)"

# Bringing back what would have come back by itself earlier changes nothing.
BRING_BACK = """
UPDATE out_of_service SET back_at = greatest(since, make_timestamptz($at))
WHERE machine = $machine AND back_at IS NULL AND (until IS NULL OR until > make_timestamptz($at))
"""

OUT_OF_SERVICE = """
SELECT machine, epoch_us(since), reason, epoch_us(until) FROM out_of_service
WHERE since <= make_timestamptz($at)
  AND (until IS NULL OR until > make_timestamptz($at))
  AND (back_at IS NULL OR back_at > make_timestamptz($at))
ORDER BY machine, since, rowid
"""

# A span that was ended early ends when the machine came back.
SPANS_OUT = """
SELECT machine, epoch_us(since), reason, epoch_us(least(coalesce(until, back), coalesce(back, until)))
FROM (SELECT *, CASE WHEN back_at <= make_timestamptz($at) THEN back_at END AS back, rowid AS id FROM out_of_service)
WHERE since <= make_timestamptz($at)
ORDER BY machine, since, id
"""

PIN = "INSERT INTO identities VALUES (?, ?, make_timestamptz(?)) ON CONFLICT (machine) DO NOTHING"

LAST_RUN = """
SELECT epoch_us("at"), detail FROM runs
WHERE name = $name AND ($until::BIGINT IS NULL OR "at" <= make_timestamptz($until::BIGINT))
ORDER BY "at" DESC, rowid DESC LIMIT 1
"""

KNOWS = "SELECT 1 FROM readings WHERE machine = $machine AND taken_at = make_timestamptz($taken) AND digest = $digest"

# What a machine's record comes to: anything that is entered, of whatever time, changes it.
CHANGE_STAMPS = """
SELECT machine, string_agg(part, ' ' ORDER BY part) FROM (
    SELECT machine, 'readings ' || count(*) || '/' || epoch_us(max(seen_at)) || '/' || epoch_us(max(taken_at)) AS part
    FROM readings GROUP BY machine
    UNION ALL SELECT machine, 'notes ' || count(*) FROM notes GROUP BY machine
    UNION ALL SELECT machine, 'set aside ' || count(*) FROM set_aside_log GROUP BY machine
    UNION ALL SELECT machine, 'rereads ' || count(*) FROM rereads GROUP BY machine
    UNION ALL SELECT machine, 'out ' || count(*) || '/' || count(back_at) FROM out_of_service GROUP BY machine
    UNION ALL SELECT machine, 'moves ' || count(*) || '/' || count(after_at) FROM realign_moves GROUP BY machine
    UNION ALL SELECT machine, 'events ' || count(*) FROM ticket_events JOIN tickets USING (number) GROUP BY machine
) GROUP BY machine
"""

# By table, the time by which an entry lies ahead of the clock.
AHEAD_TABLES = {"readings": "taken_at", "notes": '"at"', "polls": '"at"', "out_of_service": "since"}

AHEAD = """
SELECT * FROM (
    SELECT 'readings', machine, count(*), epoch_us(max(taken_at)) FROM readings
    WHERE taken_at > make_timestamptz($after) GROUP BY machine
    UNION ALL SELECT 'notes', machine, count(*), epoch_us(max(t)) FROM (
        SELECT machine, "at" AS t FROM notes UNION ALL SELECT machine, since FROM out_of_service
    ) WHERE t > make_timestamptz($after) GROUP BY machine
    UNION ALL SELECT 'polls', machine, count(*), epoch_us(max("at")) FROM polls
    WHERE "at" > make_timestamptz($after) GROUP BY machine
    UNION ALL SELECT 'ticket_events', machine, count(*), epoch_us(max("at")) FROM ticket_events JOIN tickets
    USING (number) WHERE "at" > make_timestamptz($after) GROUP BY machine
) ORDER BY ALL
"""

SET_ASIDE = """
INSERT INTO set_aside SELECT '{table}', machine, {time}, make_timestamptz($now), to_json(entry)::VARCHAR
FROM {table} entry WHERE {time} > make_timestamptz($after)
"""

DROP_AHEAD = "DELETE FROM {table} WHERE {time} > make_timestamptz($after)"

# What the program remembers of itself, and can find out again.
FORGET_AHEAD = (
    'DELETE FROM runs WHERE "at" > make_timestamptz($after)',
    "DELETE FROM attended WHERE seen_at > make_timestamptz($after)",
    "DELETE FROM said_forecasts WHERE said_at > make_timestamptz($after)",
    "DELETE FROM drift_priors WHERE learned_at > make_timestamptz($after)",
    "DELETE FROM company_priors WHERE taken_at > make_timestamptz($after)",
)

TO_NOW = (
    """
    UPDATE tickets SET
        opened_at = CASE WHEN opened_at > make_timestamptz($after) THEN make_timestamptz($now) ELSE opened_at END,
        changed_at = CASE WHEN changed_at > make_timestamptz($after) THEN make_timestamptz($now) ELSE changed_at END,
        work_from = CASE WHEN work_from > make_timestamptz($after) THEN make_timestamptz($now) ELSE work_from END,
        work_until = CASE WHEN work_until > make_timestamptz($after) THEN make_timestamptz($now) ELSE work_until END,
        closed_at = CASE WHEN closed_at > make_timestamptz($after) THEN make_timestamptz($now) ELSE closed_at END
    """,
    'UPDATE ticket_events SET "at" = make_timestamptz($now) WHERE "at" > make_timestamptz($after)',
    'UPDATE realign_moves SET "at" = make_timestamptz($now) WHERE "at" > make_timestamptz($after)',
)

RENEW_ANSWERS = (
    "DELETE FROM answers",
    """
    INSERT INTO answers
    SELECT machine, max("at"), arg_max(outcome, "at"), arg_max(reason, "at"),
           max("at") FILTER (list_contains($answered, outcome)), max("at") FILTER (list_contains($understood, outcome))
    FROM polls GROUP BY machine
    """,
)
