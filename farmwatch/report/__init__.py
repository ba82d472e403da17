"""The weekly report: what the farm's beds did in a week, as one page that a manager reads and a technician works from.

`weekly_view` (pure) turns two assessments and the tickets into values and words, `render` turns those into a page,
`write_week` puts the page where the farm keeps its reports.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
