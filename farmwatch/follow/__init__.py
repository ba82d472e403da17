"""One machine's history as arrays: steps, trend, forecast. Pure: time comes in as an argument, randomness too."""

from farmwatch.follow.findings import Drift, Forecast, Step, StepName
from farmwatch.follow.fleet import follow_fleet, follow_machine
from farmwatch.follow.followed import Followed

__all__ = ["Drift", "Followed", "Forecast", "Step", "StepName", "follow_fleet", "follow_machine"]
