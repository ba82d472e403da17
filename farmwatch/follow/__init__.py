"""What a machine's history tells: steps, drift, forecast, and what turning the plate told. Pure.

Time comes in as an argument, randomness too. `follow_fleet` follows many machines side by side; `find_steps`, `trend`
and `forecast` work on one plain series. The values found are public in `findings`, too.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
