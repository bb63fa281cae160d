"""What the page shows of a visit when a person opens it: plain data, small, for the script in the page."""

import json
import math
from collections.abc import Iterable, Mapping, Sequence

from cornerrun.plan.model import Plan
from cornerrun.report.condition_text import amount
from cornerrun.report.looks import symbol_of
from cornerrun.report.places import Places, places_of
from cornerrun.report.thinning import thinned
from cornerrun.results.control import good_visits
from cornerrun.results.records import Outcome, Reading, RunData, Trial, VisitRecord

__all__ = ["embedded", "visit_data"]

_MOST_READINGS = 60_000  # chosen: about six megabytes, which still opens within two seconds
_MOST_TRIALS = 12  # of each check, failures first; counts are of all
_MOST_POINTS = 60
_MOST_OUTPUT = 4096


def visit_data(plan: Plan, data: RunData) -> dict[str, object]:
    """Gather every visit. Of a run too large for a page, only visits that did not pass keep readings and traces."""
    rails = [rail.name for rail in plan.rails]
    index = {name: position for position, name in enumerate(rails)}
    places = places_of(plan, data.run.corners)
    good = {id(record) for record in good_visits(plan, data.visits)}
    total = sum(len(record.readings) for record in data.visits)
    is_large = total > _MOST_READINGS
    room = _MOST_READINGS
    visits = []
    for record in data.visits:
        is_whole = not is_large or (record.visit.outcome is not Outcome.PASS and room > 0)
        if is_whole:
            room -= len(record.readings)
        made = _visit(record, index, is_void=id(record) not in good, is_whole=is_whole)
        made["cond"] = _conditions(plan, record, places)
        visits.append(made)
    return {"rails": rails, "visits": visits}


def _conditions(plan: Plan, record: VisitRecord, places: Places) -> dict[str, str]:
    """Say where each condition was read to be, and where it should be."""
    asked = places.get(record.visit.corner, {})
    told = {}
    for condition in plan.conditions:
        reading = record.visit.conditions.get(condition.name)
        if reading is not None and math.isfinite(reading):
            level = asked.get(condition.name, "")
            wanted = f", {level} is {amount(condition.levels[level], condition.unit)}" if level else ""
            told[condition.name] = f"{amount(reading, condition.unit, digits=5)}{wanted}"
    return told


def embedded(value: object) -> str:
    """Write data as JSON that may stand inside a script element: nothing in it can end that."""
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _visit(record: VisitRecord, index: Mapping[str, int], *, is_void: bool, is_whole: bool) -> dict[str, object]:
    visit = record.visit
    made: dict[str, object] = {
        "n": visit.ordinal,
        "c": visit.corner,
        "rep": visit.repeat,
        "k": "control point" if visit.is_control else "corner",
        "o": visit.outcome.value,
        "s": symbol_of(visit.outcome),
        "r": visit.reason,
        "t": visit.started_utc.strftime("%Y-%m-%d %H:%M:%S UTC"),
        "at": _number(visit.start_s),
        "d": _number(visit.end_s - visit.start_s),
        "ph": {name: _number(value) for name, value in visit.phase_s.items()},
        "ck": [[item.check, symbol_of(item.outcome), item.outcome.value, item.reason, item.trials, item.failures]
               for item in record.checks],
        "f": [[fault.kind, _number(fault.at_s), fault.originator, list(fault.followers), fault.why]
              for fault in record.faults],
    }  # fmt: skip
    if is_void:
        made["void"] = True
    if visit.is_after_seam:
        made["seam"] = True
    if not is_whole:
        made["cut"] = True
        return made
    made["rd"] = [_reading(item, index) for item in record.readings]
    made["w"] = [
        [index.get(item.rail, item.rail), item.during, _number(item.min_v), _number(item.max_v), item.samples]
        for item in record.watched
    ]
    made["tr"] = [
        [index.get(item.rail, item.rail), _number(item.target_v), _thinned(item.points)] for item in record.traces
    ]
    made["tl"] = [_trial(item) for item in _telling(record.trials)]
    made["te"] = [
        [item.check, item.trial, item.name, item.passed, _number(item.duration_s), item.reason] for item in record.tests
    ]
    return made


def _reading(item: Reading, index: Mapping[str, int]) -> list[object]:
    return [
        index.get(item.rail, item.rail),
        item.level,
        _number(item.target_v),
        _number(item.setpoint_v),
        _number(item.telemetry_v),
        item.telemetry_n,
        _number(item.reference_v),
        _number(item.settle_s),
        item.status_word,
        symbol_of(item.outcome),
        item.outcome.value,
        item.reason,
    ]


def _telling(trials: Sequence[Trial]) -> Iterable[Trial]:
    """Choose the trials of each check that tell most: those that did not pass, else the first."""
    shown: dict[str, int] = {}
    for trial in sorted(trials, key=lambda item: item.passed is True):
        count = shown.get(trial.check, 0)
        if count < (_MOST_TRIALS if trial.passed is not True else 1):
            shown[trial.check] = count + 1
            yield trial


def _trial(item: Trial) -> list[object]:
    numbers = {name: _number(value) for name, value in list(item.numbers.items())[:24]}
    output = item.output[-_MOST_OUTPUT:]
    return [item.check, item.trial, item.passed, _number(item.duration_s), item.reason, numbers, output]


def _thinned(points: Sequence[tuple[float, float]]) -> list[list[object]]:
    return [[_number(at_s), _number(volts)] for at_s, volts in thinned(points, _MOST_POINTS)]


def _number(value: float | None) -> float | None:
    """Round to eight digits, far below what any instrument here resolves; None for what JSON cannot hold."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.8g}")
