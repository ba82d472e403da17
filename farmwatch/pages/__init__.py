"""The pages: the farm in a browser, served by the service from its own judgement and the report's drawings.

How it works. `routes` is the table of every address: what answers there and who may ask. A page is a module here with a
function, a template, and its row. `app` makes the table into Flask; around every request stand `guard` (which computer
is meant, who asks, by what right) and `look` (templates, style sheet, ETags). `read` holds what was read of the farm:
one consistent state, renewed when the database or the minute changes; pages judge nothing but the one machine that is
open. `source` is what the service lends. `serving` is the server under it: waitress within bounds, `tls` in front.

Pages work without script; `static/pages.js` adds only comfort. Nothing comes from outside.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
