from .app import make_app as make_app
from .serving import PagesServer as PagesServer
from .source import FarmSource as FarmSource
from .source import Published as Published
