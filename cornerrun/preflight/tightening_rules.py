"""Whether the device's own over-voltage limits can be put at the hard limits while the run moves rails."""

from collections.abc import Iterator

from cornerrun.plan.tight import COMPARATOR_RATIO, least_ov_limit_v
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding
from cornerrun.preflight.places import rail_subject
from cornerrun.units import Kind, show

__all__ = ["tightening"]

_LIMITS = ("VOUT_MAX", "VOUT_OV_FAULT_LIMIT")


def tightening(facts: Facts) -> Iterator[Finding]:
    """Say which limits will stay as they are: those the rail's own levels might run into, and those kept on purpose."""
    for found in facts.levels:
        rail = found.rail
        if rail.power is None or rail.tracks is not None or not found.rows:
            continue
        profile = facts.profiles.get(facts.plan.devices[rail.power.device].profile)
        if profile is None or not any(profile.declares(name) for name in _LIMITS):
            continue
        subject = rail_subject(facts, "tightened limits", rail, "hard_limits")
        why = facts.plan.limits_kept.get(rail.name) or profile.keeps_limits
        if why:
            yield subject.note(f"VOUT_MAX and the OV fault limit stay as they are: {why}", "see that this still holds")
            continue
        needed_v = least_ov_limit_v(rail, max(row.setpoint_v for row in found.rows))
        if needed_v > rail.hard_limits.max_v:
            share = COMPARATOR_RATIO if rail.supply.comparator_ratio is None else rail.supply.comparator_ratio
            numbers = (
                f"the OV fault limit is not tightened to the hard limit of {_volts(rail.hard_limits.max_v)}: with a "
            )
            numbers += f"comparator good to {show(share, Kind.RATIO)} the highest level needs {_volts(needed_v)}"
            yield subject.note(
                numbers, "tell the comparator's tolerance, margin less, or rely on the device's own limit"
            )


def _volts(value_v: float) -> str:
    return show(value_v, Kind.VOLTAGE)
