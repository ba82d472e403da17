"""From meshes to figures: one mesh or a stack of them, and the histories of many machines measured together.

Plane, form, spikes, noise, heights at the screws. Pure: numpy and scipy only. Lengths mm, slopes mm/mm inside and mm/m
on screens. Every formula works on a stack `[n, points]`. The module `machines` is public, too.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
