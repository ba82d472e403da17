"""config.toml -> checked settings. Every fault is found in one go, in file order, before anything starts.

`settings` holds the values, `faults` what can be wrong with them and where, `locate` finds the line of a key,
`fields` and `rules` check, `machines_file` reads the machines of a large farm, `load` puts it together and
`starter` writes the files that `farmwatch init` leaves to fill in.
"""

from farmwatch.config.faults import ConfigError, Fault
from farmwatch.config.fields import FILL_IN
from farmwatch.config.load import load_settings
from farmwatch.config.secret import Secret
from farmwatch.config.settings import (
    Also,
    Farm,
    Machine,
    Mail,
    Mapping,
    Poll,
    ServiceSection,
    Settings,
    Tickets,
    Webhook,
    WeeklyTime,
    Working,
)
from farmwatch.config.starter import write_starter

__all__ = [
    "FILL_IN",
    "Also",
    "ConfigError",
    "Farm",
    "Fault",
    "Machine",
    "Mail",
    "Mapping",
    "Poll",
    "Secret",
    "ServiceSection",
    "Settings",
    "Tickets",
    "Webhook",
    "WeeklyTime",
    "Working",
    "load_settings",
    "write_starter",
]
