from .export import Exported as Exported
from .export import export_lake as export_lake
from .priors import prior_sentences as prior_sentences
from .priors import read_priors as read_priors
from .priors import take_priors as take_priors
from .write import Engine as Engine
from .write import write_company as write_company
