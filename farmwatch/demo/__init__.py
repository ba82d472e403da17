"""The invented farm of Saltmarsh Tidegate Works: simulated hosts on loopback, months of history, one command.

`farm`, `cases` and `truth` say what stands there and what is wrong with it, `beds` makes the meshes, `answers` and
`hosts` give them over HTTP, `paper` writes the configuration, `run` plays it all through the real polls and store.
"""

__all__: list[str] = []
