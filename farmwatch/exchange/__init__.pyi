from .grid import Corner as Corner
from .grid import grid_reading as grid_reading
from .outcome import Exported as Exported
from .outcome import Imported as Imported
from .outcome import Progress as Progress
from .reading import import_files as import_files
from .writing import Form as Form
from .writing import export_readings as export_readings
