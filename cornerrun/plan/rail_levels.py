"""What each rail's levels are in volts: own margins and levels, or those of the rail that it follows."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal

from cornerrun.plan.model import HIGH, LOW, NOMINAL
from cornerrun.plan.rail_file import RailFile
from cornerrun.plan.trim_file import TrimSweepFile
from cornerrun.plan.trim_levels import trim_levels

__all__ = ["Lineage", "lineage", "own_levels", "resolved_levels"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Lineage:
    """The rail at the end of a chain of ``tracks`` or ``tied_to``, and the product of the ratios on the way.

    ``trouble`` says why there is none: a rail of the chain is unknown, or the chain comes back to itself; ``chain``
    then lists the rails up to there.
    """

    root: str
    ratio: float
    chain: tuple[str, ...]
    trouble: Literal["unknown", "cycle"] | None = None


def own_levels(rail: RailFile) -> dict[str, float]:
    """The levels that a rail states itself, nominal first; margins count from nominal outwards."""
    levels = {NOMINAL: rail.nominal}
    if rail.margin is not None and rail.margin.high is not None:
        levels[HIGH] = rail.margin.high.level_v(rail.nominal)
    if rail.margin is not None and rail.margin.low is not None:
        low = rail.margin.low
        levels[LOW] = low.volts if low.volts is not None else rail.nominal * (1.0 - (low.ratio or 0.0))
    for name, amount in rail.levels.items():
        levels.setdefault(name, amount.level_v(rail.nominal))
    # 0.9 V and 5 % are 0.945 V, not 0.9450000000000001 V: twelve digits are far below any converter's step.
    return {name: float(f"{target_v:.12g}") for name, target_v in levels.items()}


def lineage(name: str, rails: Mapping[str, RailFile], by: Literal["tracks", "tied_to"]) -> Lineage:
    """Follow ``tracks`` or ``tied_to`` to its end."""
    chain, ratio = [name], 1.0
    while True:
        rail = rails.get(chain[-1])
        if rail is None:
            return Lineage(root=chain[-1], ratio=ratio, chain=tuple(chain), trouble="unknown")
        parent = (rail.tracks.rail if rail.tracks else None) if by == "tracks" else rail.tied_to
        if parent is None:
            return Lineage(root=chain[-1], ratio=ratio, chain=tuple(chain))
        ratio *= rail.tracks.ratio if by == "tracks" and rail.tracks else 1.0
        if parent in chain:
            return Lineage(root=parent, ratio=ratio, chain=(*chain, parent), trouble="cycle")
        chain.append(parent)


def resolved_levels(
    rails: Mapping[str, RailFile], sweep: TrimSweepFile | None = None, swept: Collection[str] | None = None
) -> dict[str, dict[str, float]]:
    """The levels of every rail whose chain is sound; a rail that tracks has its root's levels times the ratio.

    ``sweep`` adds its setpoints to every rail that is moved, or to those that ``swept`` names and the rails tied to
    them.
    """
    own = {name: own_levels(rail) for name, rail in rails.items()}
    for name, rail in rails.items():
        root = lineage(name, rails, "tied_to").root
        is_swept = swept is None or root in swept or name in swept
        if sweep is not None and is_swept and rail.tracks is None and len(own[name]) > 1:
            own[name] |= trim_levels(own[name], sweep)
    levels: dict[str, dict[str, float]] = {}
    for name, rail in rails.items():
        if rail.tracks is None:
            levels[name] = own[name]
            continue
        line = lineage(name, rails, "tracks")
        if line.trouble is None:
            followed = {level: float(f"{line.ratio * target_v:.12g}") for level, target_v in own[line.root].items()}
            levels[name] = {**followed, NOMINAL: rail.nominal}
    return levels
