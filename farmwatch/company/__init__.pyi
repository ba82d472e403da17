from .export import Exported as Exported
from .export import export_lake as export_lake
