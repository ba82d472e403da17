"""What is wrong with a machine, how sure that is, and what to do about it, from its measured history. Pure.

`tables` holds every cause and advice with all that is said of it; `cause` decides between them, rule by rule;
`condition` says on which side of the limits a machine is; `plan` and `tooth_plans` find what to turn and shim, `twist`
the one of four screws that bends the bed;
`learned` keeps what moves have shown of a machine's drive. `machine` puts an `Assessment` together, `words` and
`document` say it, `standing` how long it stays true. Public beside the names of this door are the modules `assessment`,
`learned`, `standing`, `tables` and `words`.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
