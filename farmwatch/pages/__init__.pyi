from .app import end_benches as end_benches
from .app import make_app as make_app
from .app import take_up_benches as take_up_benches
from .serving import PagesServer as PagesServer
from .source import FarmSource as FarmSource
from .source import Published as Published
