"""The cautions that stand wherever a person is sent to a machine, before the first move.

Common practice of the trade, no source; the maker's manual, local rules and, for electrical work, licensed practice
come first.
"""

from __future__ import annotations

__all__ = ["CAUTIONS", "CAUTIONS_FOOT"]

CAUTIONS: tuple[str, ...] = (
    (
        "Bed and nozzle cold; bed run well clear of the nozzle unless the machine must stay homed for the work, "
        "then power off and plug pulled before hands go near belts, pulleys or screws."
    ),
    "Steep leads let a bed drop once motors or belt are free: block it. Fingers out of the belt path.",
    (
        "A heavy machine is laid over by two people, on a padded, clear floor; glass and loose parts out first; "
        "cables free."
    ),
    (
        "The reference screw is not turned. Mark the screws before the first move. Turn smoothly; protect the "
        "screw from tool teeth; grip only where no nut runs."
    ),
    (
        "Screws into plastic or heat-set inserts are not overtightened; the belt's tension is restored and checked "
        "before power."
    ),
    (
        "After any turn or shim: home again and set the nozzle height anew before heating or printing (one tooth "
        "can be 0.4 mm into the nozzle); first mesh with a hand on the power switch."
    ),
    "Shims are metal and heat-proof, and lie flat.",
    ("farmwatch only reads. It sends no motion or heat command, and its advice never replaces looking at the machine."),
)

CAUTIONS_FOOT = (
    "Common practice of the trade. "
    "The maker's manual, local rules and, for electrical work, licensed practice come first."
)
