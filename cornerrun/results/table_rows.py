"""The rows of each table of a run, in the order of the columns in `tables`."""

from collections.abc import Callable, Iterator, Mapping

from cornerrun.results.condition_change import ConditionChange
from cornerrun.results.records import RunData

__all__ = ["INSTRUMENT_FIELDS", "ROWS", "all_changes"]

INSTRUMENT_FIELDS = (
    "name",
    "identity",
    "resource",
    "calibrated",
    "due",
    "nplc",
    "line_hz",
    "reading_ratio",
    "range_ratio",
    "coverage",
)


def _run(data: RunData) -> Iterator[tuple[object, ...]]:
    run = data.run
    yield (
        run.run_id,
        run.serial,
        run.title,
        run.bench_id,
        run.bench_kind,
        run.station,
        run.operator,
        run.seed,
        run.started_utc.isoformat(),
        None if run.ended_utc is None else run.ended_utc.isoformat(),
        None if run.result is None else run.result.value,
        None if run.end_state is None else run.end_state.value,
        run.why,
    )


def _setpoints(data: RunData) -> Iterator[tuple[object, ...]]:
    return ((item.rail, item.level, item.target_v, item.word, item.decoded_v) for item in data.run.setpoints)


def _corners(data: RunData) -> Iterator[tuple[object, ...]]:
    for corner in data.run.corners:
        for item in corner.levels:
            yield corner.name, corner.scheme, item.rail, item.level
        for condition in corner.conditions:
            yield corner.name, corner.scheme, condition.condition, condition.level


def _not_runnable(data: RunData) -> Iterator[tuple[object, ...]]:
    return ((item.name, item.scheme, item.reason) for item in data.run.not_runnable)


def _visits(data: RunData) -> Iterator[tuple[object, ...]]:
    for record in data.visits:
        visit = record.visit
        yield (
            visit.ordinal,
            visit.corner,
            visit.repeat,
            visit.is_control,
            visit.is_void,
            visit.is_after_seam,
            visit.outcome.value,
            visit.reason,
            visit.started_utc.isoformat(),
            visit.start_s,
            visit.end_s,
        )


def _conditions(data: RunData) -> Iterator[tuple[object, ...]]:
    for record in data.visits:
        for name, measured in record.visit.conditions.items():
            yield record.visit.ordinal, name, measured


def all_changes(data: RunData) -> Iterator[tuple[int | None, ConditionChange]]:
    """Go through all changes of conditions, each with its visit; None where conditions went to rest."""
    yield from ((record.visit.ordinal, change) for record in data.visits for change in record.changes)
    yield from ((None, change) for change in data.rests)


def _changes(data: RunData) -> Iterator[tuple[object, ...]]:
    for visit, change in all_changes(data):
        yield (
            visit,
            change.condition,
            change.level,
            change.unit,
            change.target,
            change.came_from,
            change.reading,
            change.started_s,
            change.took_s,
            change.ramp_per_s,
            change.steepest_per_s,
            change.is_board_on,
            change.sensor,
            change.sensed,
        )


def _change_traces(data: RunData) -> Iterator[tuple[object, ...]]:
    for visit, change in all_changes(data):
        for at_s, value in change.trace:
            yield visit, change.condition, change.level, at_s, value


def _phases(data: RunData) -> Iterator[tuple[object, ...]]:
    for record in data.visits:
        for name, duration_s in record.visit.phase_s.items():
            yield record.visit.ordinal, name, duration_s


def _readings(data: RunData) -> Iterator[tuple[object, ...]]:
    for record in data.visits:
        visit = record.visit
        key = (visit.ordinal, visit.corner, visit.repeat, visit.is_control, visit.is_void)
        for item in record.readings:
            yield (
                *key,
                item.rail,
                item.level,
                item.target_v,
                item.setpoint_v,
                item.word,
                item.telemetry_v,
                item.telemetry_n,
                item.reference_v,
                item.reference_range_v,
                item.settle_s,
                item.status_word,
                item.current_a,
                item.temperature_degc,
                item.outcome.value,
                item.reason,
            )


def _checks(data: RunData) -> Iterator[tuple[object, ...]]:
    for record in data.visits:
        visit = record.visit
        key = (visit.ordinal, visit.corner, visit.repeat, visit.is_control, visit.is_void)
        for item in record.checks:
            yield (*key, item.check, item.outcome.value, item.reason, item.trials, item.failures)


def _trials(data: RunData) -> Iterator[tuple[object, ...]]:
    for record in data.visits:
        for item in record.trials:
            yield (
                record.visit.ordinal,
                record.visit.corner,
                item.check,
                item.trial,
                item.passed,
                item.duration_s,
                item.reason,
                item.output,
            )


def _numbers(data: RunData) -> Iterator[tuple[object, ...]]:
    for record in data.visits:
        for item in record.trials:
            for name, result in item.numbers.items():
                yield record.visit.ordinal, record.visit.corner, item.check, item.trial, name, result


def _watched(data: RunData) -> Iterator[tuple[object, ...]]:
    for record in data.visits:
        for item in record.watched:
            yield (
                record.visit.ordinal,
                record.visit.corner,
                item.rail,
                item.during,
                item.min_v,
                item.max_v,
                item.samples,
            )


def _faults(data: RunData) -> Iterator[tuple[object, ...]]:
    number = 0
    for record in data.visits:
        for item in record.faults:
            number += 1
            followers = " ".join(item.followers)
            yield number, item.visit, record.visit.corner, item.at_s, item.kind, item.originator, followers, item.why


def _captures(data: RunData) -> Iterator[tuple[object, ...]]:
    number = 0
    for record in data.visits:
        for fault in record.faults:
            number += 1
            for item in fault.captures:
                log = None if item.fault_log is None else item.fault_log.hex()
                for register, held in item.registers.items():
                    yield number, fault.visit, item.rail, item.taken_at_s, register, held, log


def _events(data: RunData) -> Iterator[tuple[object, ...]]:
    return ((item.at_s, item.at_utc.isoformat(), item.severity, item.rail, item.what) for item in data.events)


def _instruments(data: RunData) -> Iterator[tuple[object, ...]]:
    return (tuple(getattr(item, name) for name in INSTRUMENT_FIELDS) for item in data.run.instruments)


def _sources(data: RunData) -> Iterator[tuple[object, ...]]:
    return ((item.role, str(item.path), item.sha256) for item in data.run.sources)


def _traces(data: RunData) -> Iterator[tuple[object, ...]]:
    for record in data.visits:
        for item in record.traces:
            for at_s, reading_v in item.points:
                yield record.visit.ordinal, record.visit.corner, item.rail, item.target_v, at_s, reading_v


def _tests(data: RunData) -> Iterator[tuple[object, ...]]:
    for record in data.visits:
        key = (record.visit.ordinal, record.visit.corner)
        for item in record.tests:
            yield *key, item.check, item.trial, item.name, item.passed, item.duration_s, item.reason


def _interaction(data: RunData) -> Iterator[tuple[object, ...]]:
    for step in data.proof:
        for item in step.readings:
            yield step.rail, step.step_v, item.rail, item.telemetry_v, item.reference_v


ROWS: Mapping[str, Callable[[RunData], Iterator[tuple[object, ...]]]] = {
    "run": _run,
    "setpoints": _setpoints,
    "corners": _corners,
    "not_runnable": _not_runnable,
    "visits": _visits,
    "conditions": _conditions,
    "changes": _changes,
    "change_traces": _change_traces,
    "phases": _phases,
    "readings": _readings,
    "checks": _checks,
    "trials": _trials,
    "numbers": _numbers,
    "watched": _watched,
    "faults": _faults,
    "captures": _captures,
    "events": _events,
    "instruments": _instruments,
    "sources": _sources,
    "traces": _traces,
    "tests": _tests,
    "interaction": _interaction,
}
