"""Refuse a run that would keep a rail of this board above nominal longer than the plan allows over all its runs."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from cornerrun.corners.model import Step
from cornerrun.errors import PlanError
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Plan
from cornerrun.preflight.budget import above_nominal_s
from cornerrun.preflight.facts import gather
from cornerrun.results.stress import StressEntry
from cornerrun.units import Kind, show

__all__ = ["planned_s", "refuse_over_stress"]


def planned_s(plan: Plan, bench_file: BenchFile, steps: Sequence[Step]) -> Mapping[str, float]:
    """Estimate how long each rail will stand above nominal while these steps are made, in seconds.

    Nothing is estimated, since nothing is limited, where no rail has ``above_nominal_in_all``.
    """
    if all(rail.supply.above_nominal_in_all_s is None for rail in plan.rails):
        return {}
    rehearsal = replace(gather(plan, bench_file, None), steps=tuple(steps)).rehearsal
    return {} if rehearsal is None else above_nominal_s(plan, rehearsal.visits)


def refuse_over_stress(plan: Plan, serial: str, entries: Iterable[StressEntry], planned: Mapping[str, float]) -> None:
    """Raise PlanError if what a board has been through and what is planned exceed what a rail may have in all."""
    had: dict[str, float] = {}
    for entry in entries:
        had[entry.rail] = had.get(entry.rail, 0.0) + entry.total_s
    refused = []
    for rail in plan.rails:
        allowed_s = rail.supply.above_nominal_in_all_s
        had_s, more_s = had.get(rail.name, 0.0), planned.get(rail.name, 0.0)
        if allowed_s is not None and more_s > 0 and had_s + more_s > allowed_s:
            refused.append(
                f"{rail.name} of {serial!r} has stood above nominal for {_time(had_s)} in its runs, this one adds "
                f"about {_time(more_s)}, and {_time(allowed_s)} are allowed in all (above_nominal_in_all)"
            )
    if refused:
        raise PlanError(
            "\n".join([*refused, "leave out corners, or allow more in the plan; `cornerrun stress` shows the ledger"])
        )


def _time(time_s: float) -> str:
    return show(time_s, Kind.TIME, digits=3)
