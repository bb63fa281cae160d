"""Corners: what became of each, what was not tested, and what the ones that were run have met."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from itertools import combinations

from cornerrun.corners.measured import plan_coverage, varied_conditions
from cornerrun.corners.model import Corner, Selection
from cornerrun.corners.trim import TRIM
from cornerrun.errors import PlanError
from cornerrun.plan.model import HIGH, LOW, Plan, Rail
from cornerrun.plan.trim_levels import is_trim_level
from cornerrun.report.places import control_corners
from cornerrun.report.rail_nouns import Margin
from cornerrun.report.summary_model import CornerSummary, Coverage, MetCombinations, NotTested
from cornerrun.results.decision import CheckTally, first_outcome
from cornerrun.results.packed import column_of, fields_of
from cornerrun.results.records import Outcome, RunData, VisitRecord

__all__ = ["corner_summaries", "coverage", "not_tested"]

_NOT_DONE = {Outcome.SKIPPED, Outcome.NOT_RUN}
_CHECKS_COULD_RUN = {
    Outcome.DISPUTED,
    Outcome.FAIL_VOLTAGE,
    Outcome.NO_ANSWER,
    Outcome.FAIL_FUNCTIONAL,
    Outcome.PASS,
}


def corner_summaries(
    data: RunData, plan: Plan, good: Sequence[VisitRecord], tallies: Sequence[CheckTally], margins: Iterable[Margin]
) -> tuple[CornerSummary, ...]:
    """Tell every corner of the run, in the order planned, then those that only control points visited."""
    planned = {corner.name: corner for corner in data.run.corners}
    points = {corner.name: corner for corner in control_corners(plan)}
    names = dict.fromkeys([*planned, *(record.visit.corner for record in data.visits)])
    worst: dict[str, Margin] = {}
    for margin in margins:
        if margin.limit == "window" and (
            margin.corner not in worst or margin.distance_ratio < worst[margin.corner].distance_ratio
        ):
            worst[margin.corner] = margin
    by_corner: dict[str, list[VisitRecord]] = {name: [] for name in names}
    for record in good:
        by_corner[record.visit.corner].append(record)
    everything: dict[str, int] = dict.fromkeys(names, 0)
    for record in data.visits:
        everything[record.visit.corner] += 1
    return tuple(
        _corner(
            name,
            planned.get(name, points.get(name)),
            by_corner[name],
            void=everything[name] - len(by_corner[name]),
            tallies=[tally for tally in tallies if tally.corner == name],
            worst=worst.get(name),
        )
        for name in names
    )


def _corner(
    name: str,
    corner: Corner | None,
    visits: Sequence[VisitRecord],
    *,
    void: int,
    tallies: Sequence[CheckTally],
    worst: Margin | None,
) -> CornerSummary:
    done = [record.visit for record in visits if record.visit.outcome not in _NOT_DONE]
    outcome = first_outcome([record.visit.outcome for record in visits])
    outcomes: dict[Outcome, int] = {}
    for record in visits:
        outcomes[record.visit.outcome] = outcomes.get(record.visit.outcome, 0) + 1
    settles = (settle_s for record in visits for settle_s in column_of(record.readings, "settle_s"))
    longest_s = max((settle_s for settle_s in settles if settle_s is not None), default=None)
    return CornerSummary(
        name=name,
        scheme=corner.scheme if corner is not None else "control point",
        levels=corner.by_rail() if corner is not None else {},
        conditions={item.condition: item.value for item in corner.conditions} if corner is not None else {},
        condition_levels={item.condition: item.level for item in corner.conditions} if corner is not None else {},
        is_nominal=corner.is_nominal if corner is not None else True,
        visits=len(done),
        void_visits=void,
        passed_visits=sum(visit.outcome is Outcome.PASS for visit in done),
        outcome=outcome,
        outcomes=outcomes,
        reason=next((r.visit.reason for r in visits if r.visit.outcome is outcome and r.visit.reason), ""),
        trials=sum(tally.trials for tally in tallies),
        failures=sum(tally.failures for tally in tallies),
        worst_rail=worst.rail if worst is not None else None,
        worst_distance_v=worst.distance_v if worst is not None else None,
        longest_settle_s=longest_s,
    )


def not_tested(
    data: RunData, plan: Plan, corners: Sequence[CornerSummary], tallies: Sequence[CheckTally]
) -> tuple[NotTested, ...]:
    """List what was asked for and not shown: corners first, then checks without a verdict, then rails unmeasured."""
    found = [
        NotTested(what="corner", name=item.name, scheme=item.scheme, reason=item.reason)
        for item in data.run.not_runnable
    ]
    for corner in corners:
        if corner.visits:
            continue
        if corner.void_visits:
            reason = f"void: {corner.void_visits} visits lie in a block whose control point was out"
        elif corner.outcomes:
            reason = corner.reason or str(corner.outcome)
        else:
            reason = "not visited: the run ended before it"
        found.append(NotTested(what="corner", name=corner.name, scheme=corner.scheme, reason=reason))
    spoken = {tally.check for tally in tallies if tally.trials}
    found += [
        NotTested(what="check", name=check.name, scheme="", reason="gave no verdict at any corner")
        for check in plan.checks
        if check.name not in spoken
    ]
    measured = {
        rail
        for record in data.visits
        for rail, reference_v, telemetry_v in fields_of(record.readings, "rail", "reference_v", "telemetry_v")
        if reference_v is not None or telemetry_v is not None
    }
    found += [
        NotTested(what="rail", name=rail.name, scheme="", reason="nothing measured it")
        for rail in plan.rails
        if rail.name not in measured
    ]
    return tuple(found)


def coverage(plan: Plan, data: RunData, good: Sequence[VisitRecord]) -> Coverage:
    """Count levels, and pairs of levels of two rails, that were met by visits whose checks could run."""
    rails = plan.commanded_rails
    done = {record.visit.corner for record in good if record.visit.outcome in _CHECKS_COULD_RUN}
    names = {rail.name for rail in rails}
    met: list[dict[str, str]] = []
    for corner in data.run.corners:
        if corner.name in done and corner.scheme != TRIM:
            levels = corner.by_rail()
            met.append({rail.name: levels.get(rail.name, "nominal") for rail in rails})
    if any(record.visit.is_control and record.visit.corner in done for record in good):
        met.append(dict.fromkeys(names, "nominal"))
    order = [rail.name for rail in rails]
    rows = {tuple(levels[name] for name in order) for levels in met}
    single = {(i, level) for row in rows for i, level in enumerate(row)}
    forbidden = [dict(item) for item in plan.corners.forbidden]
    leaders = {rail.name: _leader(plan, rail) for rail in rails}
    pairs_met = pairs = edges_met = edges = 0
    for i, j in combinations(range(len(order)), 2):
        allowed = _allowed(rails[i], rails[j], forbidden, leaders)
        here = {(row[i], row[j]) for row in rows} & allowed
        pairs, pairs_met = pairs + len(allowed), pairs_met + len(here)
        sharp = {pair for pair in allowed if set(pair) <= {HIGH, LOW}}
        edges, edges_met = edges + len(sharp), edges_met + len(here & sharp)
    return Coverage(
        levels_met=len(single),
        levels_possible=sum(len(_own_levels(rail)) for rail in rails),
        pairs_met=pairs_met,
        pairs_possible=pairs,
        high_low_pairs_met=edges_met,
        high_low_pairs_possible=edges,
        combinations=tuple(
            _combinations(
                plan, [corner for corner in data.run.corners if corner.name in done and corner.scheme != TRIM]
            )
        ),
        conditions=varied_conditions(plan),
    )


def _combinations(plan: Plan, corners: Sequence[Corner]) -> Iterator[MetCombinations]:
    for strength in (1, 2, 3):
        with suppress(PlanError):
            found = plan_coverage(plan, Selection(corners=tuple(corners)), strength=strength)
            yield MetCombinations(strength=strength, covered=found.covered, feasible=found.feasible, total=found.total)


def _own_levels(rail: Rail) -> list[str]:
    """Leave out the setpoints that only a characterisation of trim visits: no check runs there."""
    return [level for level in rail.levels if not is_trim_level(level)]


def _leader(plan: Plan, rail: Rail) -> str:
    """Follow ties to the rail at their head; a ring of ties ends where it began."""
    seen = [rail.name]
    while rail.tied_to is not None and rail.tied_to not in seen:
        rail = plan.rail(rail.tied_to)
        seen.append(rail.name)
    return seen[-1]


def _allowed(
    one: Rail, other: Rail, forbidden: Sequence[Mapping[str, str]], leaders: Mapping[str, str]
) -> set[tuple[str, str]]:
    tied = leaders[one.name] == leaders[other.name]
    allowed = set()
    for a in _own_levels(one):
        for b in _own_levels(other):
            pair = {one.name: a, other.name: b}
            if not (tied and a != b) and not any(item.items() <= pair.items() for item in forbidden):
                allowed.add((a, b))
    return allowed
