"""How common each kind of drift is, where nearly every machine stands still."""

from __future__ import annotations

from farmwatch.follow.priors import PRIOR

__all__ = ["standing_weights"]


def standing_weights(share: float) -> dict[str, float]:
    """Weights by which such a share of the machines stands still; the others as they are."""
    rest = 1.0 - PRIOR.by_name()["still"]
    return {
        kind: share if kind == "still" else weight * (1.0 - share) / rest for kind, weight in PRIOR.by_name().items()
    }
