"""The store: readings, polls and what people entered, in one DuckDB file shared with other processes.

**Short opens.** DuckDB lets one process write, or several read, at a time. So nobody keeps the file open: every call
of `Store` opens it (`database`), does its work in one transaction, closes it, and computes afterwards; while another
process is inside it waits with jitter, up to a limit. A writer that cannot get in never loses what it has: see below.

**Nothing is lost.** `DurableWriter` is what polls write through. Where the database cannot take a round (held, full,
read-only, damaged, newer), the round is appended to the pending file beside it, `<database>.pending`, as NDJSON, and
fsynced; the next write stores first what waits there. Storing is idempotent (a reading is known by machine, time and
digest), so a crash between storing and emptying the file costs nothing, and a torn last line was promised to nobody.

**Schema changes** are numbered files in `migrations/`, forward only. Opening an older database copies it aside, then
applies them in one transaction with their record; a newer database is refused by the version that wrote it.

**One list of facts.** What a reading carries beside machine, time and mesh stands in `reading_facts`; columns, SQL and
every file format follow from it. Statements stand in `sql` and `ticket_sql`, faults of DuckDB and of the system are
told apart in `errors` by type and number. Public beside the names of this door are the modules `errors`, `records`,
`reading_facts`, `reading_json`, `ticket_sql` and `lake` (all of it as Parquet for others, and back).
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
