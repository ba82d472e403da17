"""One machine's history as arrays: steps, trend, forecast. Pure: time comes in as an argument, randomness too.

`fleet` follows; `findings` holds what it found.
"""

from farmwatch.follow.forecast import forecast
from farmwatch.follow.steps import find_steps
from farmwatch.follow.trend import trend

__all__ = ["find_steps", "forecast", "trend"]
