"""One machine's history as arrays: steps, trend, forecast. Pure: time comes in as an argument, randomness too."""

from farmwatch.follow.findings import Drift, Forecast, Step, StepName
from farmwatch.follow.fleet import follow_fleet, follow_machine
from farmwatch.follow.followed import Followed
from farmwatch.follow.forecast import forecast
from farmwatch.follow.series import why_not_followed, why_not_judged
from farmwatch.follow.steps import FoundStep, find_steps, jumped_twice
from farmwatch.follow.trend import Trend, trend

__all__ = [
    "Drift", "Followed", "Forecast", "FoundStep", "Step", "StepName", "Trend", "find_steps", "follow_fleet",
    "follow_machine", "forecast", "jumped_twice", "trend", "why_not_followed", "why_not_judged",
]  # fmt: skip
