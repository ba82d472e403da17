"""The invented farm of Saltmarsh Tidegate Works: simulated hosts on loopback, months of history, one command.

`farm`, `cases` and `truth` say what stands there and what is wrong with it, `beds` makes the meshes, `answers` and
`hosts` give them over HTTP, `paper` writes the configuration, `run` plays it all through the real polls and store.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
