"""Guided realignment: one machine followed closely, a move at a time, until whole teeth get no closer.

`coach` is pure: from a mesh to the next move, and from two meshes to what the move between them really did. `session`
carries it out at the machine and keeps everything it knows in the database. The public module `words` says it all in
sentences, for the terminal and for pages.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
