"""What a run takes and wears, reckoned before it begins: time by phase, cycles, closures, messages, over-stress."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from cornerrun.bench.bench import is_private
from cornerrun.plan.model import NOMINAL, Plan
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding
from cornerrun.preflight.paper.conditions import is_timed
from cornerrun.preflight.places import rail_subject
from cornerrun.results.records import VisitRecord
from cornerrun.units import Kind, show

__all__ = ["Budget", "above_nominal", "above_nominal_s", "budget_of", "phases_s", "why_not"]

_CHECK = "check "
# What the run calls the parts of a visit, and what they are called here; all else keeps its name.
_NAMES = {"condition": "conditions", "move": "settle", "settle": "settle"}
_ORDER = ("conditions", "boot", "settle", "measure", "checks")
REST = "before and after"


@dataclass(frozen=True, kw_only=True, slots=True)
class Budget:
    """A whole run, nothing going wrong.

    ``phases_s`` sums to ``total_s``; ``checks_s`` tells its "checks" apart. ``above_nominal_s`` is how long each rail
    stands above nominal, by rail; ``messages`` go by bus. ``stores`` is the number of writes to non-volatile memory,
    which are never sent. ``assumptions`` say what was not known.
    """

    total_s: float
    visits: int
    phases_s: Mapping[str, float]
    checks_s: Mapping[str, float]
    messages: Mapping[str, int]
    relay_closures: int
    power_cycles: int
    above_nominal_s: Mapping[str, float]
    assumptions: tuple[str, ...]
    stores: int = 0


def budget_of(facts: Facts) -> Budget | None:
    """Reckon the budget of a plan on its bench; None where there is no bench file, or the plan cannot be performed."""
    rehearsal = facts.rehearsal
    if rehearsal is None or rehearsal.trouble:
        return None
    phases, checks = phases_s(rehearsal.visits)
    if rehearsal.rest_s:
        phases = {"conditions": 0.0, **phases}
        phases["conditions"] += rehearsal.rest_s
    rest_s = rehearsal.duration_s - sum(phases.values())
    return Budget(
        total_s=rehearsal.duration_s,
        visits=len(rehearsal.visits),
        phases_s={**phases, REST: rest_s},
        checks_s=checks,
        messages=rehearsal.messages,
        relay_closures=rehearsal.closures,
        power_cycles=sum("boot" in record.visit.phase_s for record in rehearsal.visits),
        above_nominal_s=above_nominal_s(facts.plan, rehearsal.visits),
        assumptions=tuple(_assumptions(facts)),
    )


def why_not(facts: Facts) -> str:
    """Tell why there is no budget; empty where there is one."""
    if facts.bench_file is None:
        return "no bench file tells how fast bus and meter are"
    if facts.rehearsal is None:
        return "bench and plan do not fit each other"
    return facts.rehearsal.trouble


def phases_s(visits: Iterable[VisitRecord]) -> tuple[Mapping[str, float], Mapping[str, float]]:
    """Sum the parts of visits: by phase, and by check."""
    phases: defaultdict[str, float] = defaultdict(float)
    checks: defaultdict[str, float] = defaultdict(float)
    for record in visits:
        for part, time_s in record.visit.phase_s.items():
            is_check = part.startswith(_CHECK)
            if is_check:
                checks[part.removeprefix(_CHECK)] += time_s
            phases["checks" if is_check else _NAMES.get(part, part)] += time_s
    order = {name: place for place, name in enumerate(_ORDER)}
    return dict(sorted(phases.items(), key=lambda item: order.get(item[0], len(order)))), dict(checks)


def above_nominal_s(plan: Plan, visits: Iterable[VisitRecord]) -> Mapping[str, float]:
    """Sum how long each rail stands above nominal: the visits at such a level, less the time for conditions.

    While conditions move, the rails rest at nominal. What passes between two visits counts with the second one.
    """
    levels = {rail.name: rail.levels for rail in plan.rails}
    dwell: dict[str, float] = {}
    for record in visits:
        visit = record.visit
        time_s = visit.end_s - visit.start_s - visit.phase_s.get("condition", 0.0)
        for reading in record.readings:
            if reading.target_v > levels[reading.rail][NOMINAL]:
                dwell[reading.rail] = dwell.get(reading.rail, 0.0) + time_s
    return dwell


def above_nominal(facts: Facts) -> Iterator[Finding]:
    """Whether a run keeps each rail above nominal no longer than the plan allows: a screen must not eat lifetime."""
    capped = [rail for rail in facts.plan.rails if rail.supply.above_nominal_s is not None and rail.is_moved]
    if not capped or facts.rehearsal is None:
        return
    dwell = above_nominal_s(facts.plan, facts.rehearsal.visits)
    for rail in capped:
        allowed_s, time_s = rail.supply.above_nominal_s or 0.0, dwell.get(rail.name, 0.0)
        if time_s > allowed_s:
            numbers = f"a run keeps it above nominal for {show(time_s, Kind.TIME, digits=3)}, and "
            numbers += f"{show(allowed_s, Kind.TIME, digits=3)} are allowed"
            advice = "leave out corners or repeats, run fewer trials there, or allow more"
            yield rail_subject(facts, "over-stress", rail, "above_nominal").error(numbers, advice)


def _assumptions(facts: Facts) -> Iterator[str]:
    yield "nothing goes wrong: no trip, no time-out, no control point that is out, no check that is late"
    if facts.plan.policy.on_fail == "hold":
        held = show(facts.plan.policy.hold_s, Kind.TIME)
        yield f"each corner that fails is held for {held} more ('on_fail: hold'), at its levels, unless --unattended"
    silent = [check.name for check in facts.plan.checks if check.takes_s == 0]
    if silent:
        yield f"{', '.join(map(repr, silent))}: 'takes' does not tell how long a trial is, counted as nothing"
    bench = facts.bench_file
    if bench is None:
        return
    unknown = [item.name for item in facts.plan.conditions if not is_timed(item, bench.conditions[item.name])]
    if unknown:
        names = ", ".join(map(repr, unknown))
        yield f"{names}: neither 'ramp' nor 'takes' tells how long a change takes, counted as holding and soaking only"
    boots = [item.name for item in facts.plan.conditions if item.cold_boots]
    ready = None if facts.plan.power_up is None else facts.plan.power_up.ready
    if boots and ready is not None and ready.takes_s is None:
        yield "'power_up.ready.takes' does not tell how long the board takes to start: cold boots counted as nothing"
    if not is_private(bench):
        slow = [
            found for found in facts.levels if found.rail.is_commanded and not _has_response(facts, found.rail.name)
        ]
        if slow:
            yield f"{len(slow)} rails do not tell how fast they are ('response'): counted as there at once"
        yield "what the bus adapter adds to each message is not known"


def _has_response(facts: Facts, name: str) -> bool:
    found = facts.by_rail[name]
    supply, held = found.rail.supply, found.values
    is_known = supply.response.slew_v_per_s is not None or supply.response.time_constant_s is not None
    is_known = is_known or (supply.trim.step_v is not None and supply.trim.update_s is not None)
    return is_known or (held is not None and held.slew_v_per_s is not None)
