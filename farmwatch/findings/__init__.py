"""What was found of a machine, kept beside the database with the fingerprint of all that it was made from.

Used again only where the fingerprint is the same and the time asked for lies where it stands; so an assessment with
kept findings is a fresh one to the byte. The file is a copy of what can be found out again: without it, with a
damaged one, or where it may not be written, everything is found anew.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
