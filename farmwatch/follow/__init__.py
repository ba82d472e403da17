"""One machine's history as arrays: steps, trend, forecast. Pure: time comes in as an argument, randomness too."""

from farmwatch.follow.findings import Drift, Forecast, Step, StepName

__all__ = ["Drift", "Forecast", "Step", "StepName"]
