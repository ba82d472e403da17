"""One mesh, or a stack of them: plane, form, spikes, noise, screw heights. Pure: numpy and scipy only.

Lengths mm, slopes mm/mm inside and mm/m on screens. Every formula works on a stack `[n, points]`.
"""

from farmwatch.measure.form import Flatness, Shape, ShapeName, flatness, shape_of_form
from farmwatch.measure.histories import MeasuredHistory, measure_histories
from farmwatch.measure.minimum_zone import MinimumZone, minimum_zone_along, minimum_zone_plane
from farmwatch.measure.noise import PointNoise, point_noise, range_noise, simulated_range_sd
from farmwatch.measure.plane import LeastSquares, Plane, least_squares, least_squares_plane
from farmwatch.measure.points import MAD_TO_SD, grid_points
from farmwatch.measure.screws import ScrewHeights, influence, screw_heights
from farmwatch.measure.spikes import find_spikes
from farmwatch.measure.stack import StackMeasures, measure_stack

__all__ = [
    "MAD_TO_SD",
    "Flatness",
    "LeastSquares",
    "MeasuredHistory",
    "MinimumZone",
    "Plane",
    "PointNoise",
    "ScrewHeights",
    "Shape",
    "ShapeName",
    "StackMeasures",
    "find_spikes",
    "flatness",
    "grid_points",
    "influence",
    "least_squares",
    "least_squares_plane",
    "measure_histories",
    "measure_stack",
    "minimum_zone_along",
    "minimum_zone_plane",
    "point_noise",
    "range_noise",
    "screw_heights",
    "shape_of_form",
    "simulated_range_sd",
]
