"""The service: one process that polls, assesses, reports, backs up and delivers by itself, until a signal.

How it works. Everything is a step that takes `now` and does what is due then; the loops around the steps only repeat
them (`running`). There are four wake-ups:

- polls (`polling`, every half second to fifteen): asks the machines that `timetable` says are due, stores what they
  say, and tells how the database does. What cannot be stored waits in the pending file; what cannot be read is as it
  was last known (`poll_state`).
- scheduled jobs (`scheduled_jobs`, every 20 s): looks in the last-run record whether the newest week has its report and
  the newest night its work, and keeps the summary for `fleet` fresh (`fleet_cache`). `calendar` says when; `worker`
  does each job in a process of its own (`jobs`), since an assessment takes memory that only the end of a process gives
  back.
- deliveries (`deliveries`, every minute): sends what waits in the outbox, in a thread of its own.
- the main thread (every second): signals, the watchdog of systemd, and the clock.

How long to wait is measured on the monotonic clock (`clock`), what is due is asked of the clock on the wall. So
outages, sleep and a clock that is set need no case of their own: a step done late does what is due by then, once. All
threads write what they know into one `status`; `published` makes /health and /metrics of it; `farmwatch.pages` serves
them, and what `pages_source` lends it.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
