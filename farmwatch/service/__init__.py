"""The service: polls, reports, backups and deliveries by themselves, its health, and the unit that starts it.

`running` puts it together. Each wake-up is one step that takes `now`: `polling`, `chores` (which sends `errand`s to a
process of their own, done by `doing`) and `deliveries`. `timetable`, `calendar`, `health` and `figures` are pure.
"""
