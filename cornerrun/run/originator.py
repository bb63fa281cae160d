"""Which of several suspects came first: by the stamps of one clock, else by what feeds what. Never a guess."""

from collections.abc import Mapping, Sequence

from cornerrun.bench.ports import FaultStamp
from cornerrun.plan.model import Plan

__all__ = ["earliest", "feeders", "not_explained"]

_BY_A_FALLEN_FEED = frozenset({"UV", "TON_MAX"})
_BY_A_LOAD = frozenset({"OC", "UC"})


def earliest(stamps: Mapping[str, Sequence[FaultStamp]]) -> str | None:
    """Tell the suspect whose entry is the first; None unless every suspect has one, on one clock, and one is first.

    Two entries within one step of the clock are simultaneous. A clock that started again between two entries is
    allowed for, as long as all entries lie within half of its range.
    """
    if not stamps or not all(stamps.values()):
        return None
    if len({item.clock for items in stamps.values() for item in items}) != 1:
        return None
    entries = [(suspect, item) for suspect, items in stamps.items() for item in items]
    for suspect, own in entries:
        if all(_is_before(own, item) for other, item in entries if other != suspect):
            return suspect
    return None


def feeders(plan: Plan) -> Mapping[str, frozenset[str]]:
    """Tell, by rail, the rails that it hangs on: what feeds it, and what it follows by hardware, however indirectly."""
    direct: dict[str, set[str]] = {}
    for rail in plan.rails:
        upstream = rail.supply.upstream
        above = {upstream.rail} if upstream is not None and upstream.rail is not None else set()
        direct[rail.name] = above | ({rail.tracks.rail} if rail.tracks is not None else set())
    found = {}
    for name, above in direct.items():
        reached: set[str] = set()
        frontier = set(above)
        while frontier:
            reached |= frontier
            frontier = {further for fed in frontier for further in direct.get(fed, ())} - reached
        found[name] = frozenset(reached - {name})
    return found


def not_explained(faults: Mapping[str, Sequence[str]], fed_by: Mapping[str, frozenset[str]]) -> tuple[str, ...]:
    """Leave out suspects that only fell with what feeds them.

    A rail below its limit is explained by a fault of a rail that it hangs on, unless that is one that a load causes: an
    over-current above may be the consequence of the fault below.
    """
    return tuple(
        rail
        for rail, own in faults.items()
        if not (
            _BY_A_FALLEN_FEED.issuperset(own)
            and any(not _BY_A_LOAD.intersection(faults.get(above, _BY_A_LOAD)) for above in fed_by.get(rail, ()))
        )
    )


def _is_before(one: FaultStamp, other: FaultStamp) -> bool:
    later_s = (other.at_s - one.at_s) % one.wraps_s
    return one.tick_s * 1.5 < later_s < one.wraps_s / 2
