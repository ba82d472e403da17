"""config.toml -> checked settings. Every fault is found in one go, in file order, before anything starts.

`settings` holds the values, `faults` what can be wrong with them and where, `locate` finds the line of a key,
`fields` and `rules` check, `machines_file` reads the machines of a large farm, `load` puts it together and
`starter` writes the files that `farmwatch init` leaves to fill in. Public beside the names of this door is the module
`settings`, with the value of every section.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
