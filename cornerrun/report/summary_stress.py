"""The stress ledger in a summary: what this run added, and what the board had before."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cornerrun.plan.model import Plan
from cornerrun.report.analysis_nouns import LevelStress
from cornerrun.results.records import Run

if TYPE_CHECKING:
    from cornerrun.results.stress import StressEntry

__all__ = ["Ledgers", "earlier_runs", "level_stress"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Ledgers:
    """The entries of one run alone, and of the runs of the same serial number that began before it."""

    own: "Sequence[StressEntry]"
    earlier: "Sequence[StressEntry]"


def earlier_runs(run: Run, runs: Iterable[Run]) -> frozenset[str]:
    """Tell which runs had begun on this board when this one began, of any plan; holds count."""
    return frozenset(
        other.run_id
        for other in runs
        if other.serial == run.serial and other.run_id != run.run_id and other.started_utc < run.started_utc
    )


def level_stress(plan: Plan, ledgers: Ledgers) -> tuple[LevelStress, ...]:
    """Put both ledgers together by rail and level, the longest in all first, as `cornerrun stress` orders them."""
    own = {(entry.rail, entry.level): entry for entry in ledgers.own}
    earlier = {(entry.rail, entry.level): entry for entry in ledgers.earlier}
    allowed = {rail.name: rail.supply.above_nominal_in_all_s for rail in plan.rails}
    made = []
    for rail, level in own.keys() | earlier.keys():
        now, before = own.get((rail, level)), earlier.get((rail, level))
        made.append(
            LevelStress(
                rail=rail,
                level=level,
                highest_v=max(entry.highest_v for entry in (now, before) if entry is not None),
                run_s=0.0 if now is None else now.total_s,
                run_visits=0 if now is None else now.visits,
                run_cycles=0 if now is None else now.cycles,
                earlier_s=0.0 if before is None else before.total_s,
                earlier_visits=0 if before is None else before.visits,
                earlier_cycles=0 if before is None else before.cycles,
                earlier_runs=0 if before is None else before.runs,
                lost_s=sum(entry.lost_s for entry in (now, before) if entry is not None),
                allowed_in_all_s=allowed.get(rail),
            )
        )
    return tuple(sorted(made, key=lambda item: (-item.total_s, item.rail, item.level)))
