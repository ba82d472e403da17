"""What can go wrong, by who can mend it.

FarmwatchError            anything a person can act on; the command line prints it in a line and exits 2
├── ConfigError           the configuration, all faults at once       (farmwatch.config)
├── MeshRefused           a mesh that cannot be                       (farmwatch.mesh)
├── StoreError            the database: locked, full, damaged, newer  (farmwatch.store)
└── InputError            what was typed, or a file that was given

Anything else that escapes is a bug: exit 1, with its traceback.
"""

__all__ = ["FarmwatchError", "InputError"]


class FarmwatchError(Exception):
    """Says what, where and what to do, in words for the reader; never a secret."""


class InputError(FarmwatchError):
    """A name, a time or a file given on the command line that cannot be used."""
