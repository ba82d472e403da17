from .export import Exported as Exported
from .export import export_lake as export_lake
from .write import Engine as Engine
from .write import write_company as write_company
