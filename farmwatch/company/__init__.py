"""Many sites as one: each farm's record as Parquet in a lake, the company's week from it, and what the sites learn.

`export_lake` writes one farm's share, `write_company` reads every site's and writes the report, `take_priors` gives a
farm what the company has learned. A lake is a folder or what fsspec opens; its files are named by a manifest a site.
"""

import lazy_loader as lazy

__getattr__, __dir__, __all__ = lazy.attach_stub(__name__, __file__)
