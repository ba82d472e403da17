"""Maintenance tickets: from the first proposal to the proof by later readings, and the delivery of what happened.

What the program decides is pure (`proposing`, `proving`, `phases`); every change of a ticket is one transaction with
its event (`repository`); what leaves the farm waits in an outbox and goes by one row of the table in `channels`.
Public modules beside the door: `phases`, `steps` (what each step of a person writes) and `calendar`.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
