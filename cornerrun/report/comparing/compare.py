"""Put two runs beside each other: what differs about them, what got worse, and what could not have been seen."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cornerrun.plan.model import Plan
from cornerrun.report.comparing.nouns import (
    Change,
    CheckChange,
    CornerChange,
    Difference,
    MarginChange,
    RunComparison,
    TrimChange,
)
from cornerrun.report.summary import summarise
from cornerrun.report.summary_model import CornerSummary, Header, Summary
from cornerrun.results.accuracy import RailAccuracy, trim_accuracy
from cornerrun.results.records import Outcome, RunData
from cornerrun.stats.multiple import benjamini_hochberg, holm

if TYPE_CHECKING:
    from cornerrun.stats.compare import MeanComparison, ShareComparison

__all__ = ["compare_runs"]

LEVEL = 0.05  # of adjusted p-values (Holm): the chance of any false finding in a table stays below it
_ORDER: Mapping[Change, int] = {"worse": 0, "better": 1, "not comparable": 2, "no difference shown": 3}


def compare_runs(a: RunData, b: RunData, *, summaries: tuple[Summary, Summary] | None = None) -> RunComparison:
    """Compare two runs, ``a`` before and ``b`` after: boards, revisions, stations, or firmware.

    ``summaries`` are of both, where a store has told more of the boards than the runs themselves do.
    Raises PlanError if a stored plan cannot be read.
    """
    from cornerrun.plan.serial import plan_from_json

    plan_a, plan_b = plan_from_json(a.run.plan_json), plan_from_json(b.run.plan_json)
    one, other = summaries or (summarise(a, plan=plan_a), summarise(b, plan=plan_b))
    differences = _differences(one, other)
    is_one_meter = _meters(one) == _meters(other)
    return RunComparison(
        a=one,
        b=other,
        differences=differences,
        cautions=_cautions(one, other, differences),
        corners=_corners(one, other),
        checks=_checks(one, other),
        trim=_trim(_Side(plan=plan_a, data=a), _Side(plan=plan_b, data=b), is_one_meter=is_one_meter),
        margins=_margins(one, other),
    )


def _differences(a: Summary, b: Summary) -> tuple[Difference, ...]:
    told_a, told_b = _told(a.header), _told(b.header)
    told_a["meter"], told_b["meter"] = _meters(a), _meters(b)
    return tuple(
        Difference(what=what, a=told_a.get(what, "-"), b=told_b.get(what, "-"))
        for what in dict.fromkeys((*told_a, *told_b))
        if told_a.get(what, "-") != told_b.get(what, "-")
    )


def _told(header: Header) -> dict[str, str]:
    told = {
        "title": header.title,
        "board": header.board_name,
        "revision": header.board_revision,
        "serial": header.serial,
        "station": header.station,
        "bench": f"{header.bench_id} ({header.bench_kind})",
        "operator": header.operator,
    }
    told |= {f"{item.role} {item.path.name}": item.sha256[:16] for item in header.sources}
    told |= {f"version of {name}": version for name, version in header.versions.items()}
    told |= {f"unit: {name}": text for name, text in header.unit_data.items()}
    told |= {f"device {name}, {key}": text for name, texts in header.devices.items() for key, text in texts.items()}
    return told


def _meters(summary: Summary) -> str:
    return "; ".join(item.record.identity for item in summary.instruments)


def _cautions(a: Summary, b: Summary, differences: Sequence[Difference]) -> tuple[str, ...]:
    found = []
    changed = {item.what for item in differences}
    if any(what.startswith(("plan ", "limits ", "rails ")) for what in changed):
        found.append("The plans differ: only what both ask for in the same words is compared.")
    if any(what.startswith("checks ") for what in changed):
        found.append("The checks differ: a change may be the test's own.")
    if a.header.serial != b.header.serial:
        found.append(
            "Two boards: a difference between them is no difference between their revisions; that takes several "
            "boards of each."
        )
    else:
        found.append("One board: trials and readings repeat on it; they say nothing of other boards.")
    if a.header.is_simulated or b.header.is_simulated:
        found.append("A SIMULATED bench is among them: nothing here says anything of a real board.")
    for name, summary in (("before", a), ("now", b)):
        if summary.result.value in {"incomplete", "invalid"}:
            found.append(f"The run {name} is {summary.result}: {summary.why}")
    found.append("No difference shown is no evidence of none: see what could have been detected.")
    return tuple(found)


def _corners(a: Summary, b: Summary) -> tuple[CornerChange, ...]:
    before, now = ({item.name: item for item in summary.corners} for summary in (a, b))
    found = [_corner(name, before.get(name), now.get(name)) for name in dict.fromkeys((*now, *before))]
    return tuple(sorted(found, key=lambda item: _ORDER[item.change]))


def _corner(name: str, a: CornerSummary | None, b: CornerSummary | None) -> CornerChange:
    was = a.outcome if a is not None and a.visits else None
    now = b.outcome if b is not None and b.visits else None
    change: Change = "no difference shown"
    if was is None or now is None or was.is_bench_trouble or now.is_bench_trouble:
        change = "not comparable"
    elif now.is_product_failure and was is Outcome.PASS:
        change = "worse"
    elif was.is_product_failure and now is Outcome.PASS:
        change = "better"
    return CornerChange(
        corner=name,
        a=was,
        b=now,
        passed_a=a.passed_visits if a is not None else 0,
        visits_a=a.visits if a is not None else 0,
        passed_b=b.passed_visits if b is not None else 0,
        visits_b=b.visits if b is not None else 0,
        change=change,
    )


def _checks(a: Summary, b: Summary) -> tuple[CheckChange, ...]:
    from cornerrun.stats.compare import compare_shares

    before = {(item.check, item.corner): item for item in a.checks if item.trials}
    now = {(item.check, item.corner): item for item in b.checks if item.trials}
    keys = [key for key in now if key in before]
    compared: list[ShareComparison] = [
        compare_shares(
            now[key].trials - now[key].failures,
            now[key].trials,
            before[key].trials - before[key].failures,
            before[key].trials,
        )
        for key in keys
    ]
    p_values = [item.p_value for item in compared]
    strict, mild = (holm(p_values), benjamini_hochberg(p_values)) if keys else ((), ())
    found = [
        CheckChange(
            check=key[0],
            corner=key[1],
            failed_a=before[key].failures,
            trials_a=before[key].trials,
            failed_b=now[key].failures,
            trials_b=now[key].trials,
            difference=item.difference,
            p_value=item.p_value,
            holm=strict[index],
            benjamini_hochberg=mild[index],
            change=_by_test(item.difference.estimate, strict[index]),
        )
        for index, (key, item) in enumerate(zip(keys, compared, strict=True))
    ]
    return tuple(sorted(found, key=lambda item: (_ORDER[item.change], item.p_value)))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Side:
    plan: Plan
    data: RunData


def _trim(a: _Side, b: _Side, *, is_one_meter: bool) -> tuple[TrimChange, ...]:
    from cornerrun.stats.compare import compare_means

    before, now = _errors(a), _errors(b)
    limits_a, limits_b = _meter_limits(a), _meter_limits(b)
    keys = [key for key in now if key in before and len(now[key]) > 1 and len(before[key]) > 1]
    compared: list[MeanComparison] = [compare_means(now[key], before[key]) for key in keys]
    tested = [index for index, item in enumerate(compared) if item.p_value is not None]
    p_values = [compared[index].p_value or 0.0 for index in tested]
    strict = dict(zip(tested, holm(p_values), strict=True)) if tested else {}
    mild = dict(zip(tested, benjamini_hochberg(p_values), strict=True)) if tested else {}
    found = []
    for index, (key, item) in enumerate(zip(keys, compared, strict=True)):
        mean_a, mean_b = (sum(side[key]) / len(side[key]) for side in (before, now))
        meters = 0.0 if is_one_meter else math.hypot(limits_a.get(key, 0.0), limits_b.get(key, 0.0))
        moved = item.difference.estimate or 0.0
        is_shown = abs(moved) > meters and strict.get(index, 1.0) < LEVEL
        farther = abs(mean_b) - abs(mean_a)
        change: Change = "no difference shown" if not is_shown else "worse" if farther > 0 else "better"
        found.append(
            TrimChange(
                rail=key[0],
                level=key[1],
                mean_a=mean_a,
                n_a=item.n_b,
                mean_b=mean_b,
                n_b=item.n_a,
                difference=item.difference,
                p_value=item.p_value,
                holm=strict.get(index),
                benjamini_hochberg=mild.get(index),
                detectable=item.detectable,
                meters=meters,
                change=change,
            )
        )
    return tuple(sorted(found, key=lambda item: (_ORDER[item.change], -abs(item.difference.estimate or 0.0))))


def _errors(side: _Side) -> Mapping[tuple[str, str], list[float]]:
    """Gather trim errors as shares of the set-point, by rail and level."""
    found: dict[tuple[str, str], list[float]] = {}
    for rail in _accuracy(side):
        for item in rail.readings.readings if rail.readings is not None else ():
            share = (item.reference_v - item.setpoint_v) / abs(item.setpoint_v)
            found.setdefault((rail.rail, item.level), []).append(share)
    return found


def _meter_limits(side: _Side) -> Mapping[tuple[str, str], float]:
    """Tell the expanded uncertainty of each mean, the meter's part included, as a share of the set-point."""
    from cornerrun.report.summary_trim import trim_summaries

    trim = trim_summaries(side.plan, _accuracy(side), side.data.run.setpoints)
    return {(rail.rail, level.level): level.expanded_ratio for rail in trim for level in rail.levels}


def _accuracy(side: _Side) -> tuple[RailAccuracy, ...]:
    return trim_accuracy(side.plan, side.data.visits, side.data.run.instruments)


def _margins(a: Summary, b: Summary) -> tuple[MarginChange, ...]:
    before = {(item.rail, item.limit): item for item in a.margins}
    found = [
        MarginChange(
            rail=item.rail,
            limit=item.limit,
            distance_a_v=before[item.rail, item.limit].distance_v,
            corner_a=before[item.rail, item.limit].corner,
            distance_b_v=item.distance_v,
            corner_b=item.corner,
        )
        for item in b.margins
        if (item.rail, item.limit) in before
    ]
    return tuple(sorted(found, key=lambda item: item.distance_b_v - item.distance_a_v))


def _by_test(difference: float | None, adjusted: float) -> Change:
    if difference is None or adjusted >= LEVEL or difference == 0:
        return "no difference shown"
    return "worse" if difference < 0 else "better"
