"""Where over-voltage limits may be put: at the hard limit, if what the plan asks for stays clear of it."""

from collections.abc import Mapping

from cornerrun.plan.model import Rail

__all__ = ["COMPARATOR_RATIO", "kept_rails", "least_ov_limit_v"]

COMPARATOR_RATIO = 0.01
"""Chosen: how far an over-voltage comparator may be off where the plan does not tell (`supply.comparator`)."""


def least_ov_limit_v(rail: Rail, highest_v: float) -> float:
    """Tell the lowest over-voltage fault limit that a rail does not run into at its highest setpoint.

    (V (1 + e) + ripple / 2 + overshoot) / (1 - e_comparator), a worst-case addition (from memory).
    """
    supply = rail.supply
    comparator = COMPARATOR_RATIO if supply.comparator_ratio is None else supply.comparator_ratio
    reached_v = highest_v * (1.0 + rail.accuracy_ratio) + (supply.ripple_v or 0.0) / 2 + (supply.overshoot_v or 0.0)
    return reached_v / (1.0 - comparator)


def kept_rails(
    written: Mapping[str, str], rails: tuple[str, ...], groups: Mapping[str, tuple[str, ...]]
) -> Mapping[str, str]:
    """Spell out, by rail, why limits are left as they are: "all" is every rail, and a nearer name goes first."""
    everyone = dict.fromkeys(rails, written["all"]) if "all" in written else {}
    of_groups = {rail: why for name, why in written.items() for rail in groups.get(name, ())}
    return everyone | of_groups | {name: why for name, why in written.items() if name in rails}
