"""How long an output takes into the settling band of a new setpoint, from what is known of it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from cornerrun.plan.model import NOMINAL
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.levels import RailLevels
from cornerrun.preflight.walk import bursts
from cornerrun.units import Kind, show

__all__ = ["Arrival", "arrival", "longest_moves"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Arrival:
    """The time into the band, and what it is made of, in words; ``parts`` is empty where nothing is known."""

    time_s: float
    parts: str

    @classmethod
    def nothing(cls) -> "Arrival":
        """Tell of a rail that never moves."""
        return cls(time_s=0.0, parts="")


def arrival(found: RailLevels, start_v: float, end_v: float) -> Arrival:
    """Reckon the time from a command until the output is in the band of its new setpoint.

    The slower of ramp, |dV| / rate, and closed-loop trim, steps of |dV| times its update; then the time constant, n
    tau with n = ln(|dV| / band). The device's own VOUT_TRANSITION_RATE stands before the plan's slew.
    """
    supply = found.rail.supply
    move_v = abs(end_v - start_v)
    held = found.values.slew_v_per_s if found.values is not None else None
    slew = held if held is not None else supply.response.slew_v_per_s
    times: list[float] = []
    parts: list[str] = []
    if slew is not None:
        times.append(move_v / slew)
        parts.append(f"ramp {show(times[-1], Kind.TIME)}")
    if supply.trim.step_v is not None and supply.trim.update_s is not None:
        steps = math.ceil(move_v / supply.trim.step_v - 1e-9)
        times.append(steps * supply.trim.update_s)
        parts.append(f"{steps} trim steps of {show(supply.trim.update_s, Kind.TIME)}")
    time_s = max(times, default=0.0)
    constant_s = supply.response.time_constant_s
    if constant_s is not None:
        band_v = found.rail.settle.band_ratio * abs(end_v)
        count = math.log(move_v / band_v) if move_v > band_v else 0.0
        time_s += count * constant_s
        parts.append(f"{count:.1f} time constants of {show(constant_s, Kind.TIME)}")
    return Arrival(time_s=time_s, parts=", ".join(parts))


def longest_moves(facts: Facts) -> Mapping[str, tuple[float, float]]:
    """Find the longest move of each commanded rail in the run, and of each that follows one: from and to, in volts."""
    longest: dict[str, tuple[float, float]] = {}
    followers = [(rail.tracks.rail, rail.name) for rail in facts.plan.rails if rail.tracks is not None]
    for burst in bursts(facts, ways_home=True):
        for item in burst.moves:
            for name in (item.rail, *(follower for leader, follower in followers if leader == item.rail)):
                found = facts.by_rail[name]
                start_v = found.row(burst.before.get(item.rail, NOMINAL)).setpoint_v
                end_v = found.row(item.level).setpoint_v
                known = longest.get(name)
                if known is None or abs(end_v - start_v) > abs(known[1] - known[0]):
                    longest[name] = (start_v, end_v)
    return longest
