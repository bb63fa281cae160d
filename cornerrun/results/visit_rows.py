"""The record of a visit <-> its rows in the store's tables."""

import math
from collections.abc import Mapping, Sequence
from typing import TypeVar, cast

from cornerrun.bench.ports import StatusCapture
from cornerrun.results.codec import clean_text, from_json, to_json, utc_from_text, utc_text
from cornerrun.results.condition_change import ConditionChange
from cornerrun.results.packed import Packer
from cornerrun.results.records import (
    CheckResult,
    Fault,
    Outcome,
    Reading,
    SettleTrace,
    SuiteTest,
    Trial,
    Visit,
    VisitRecord,
    WatchRange,
)
from cornerrun.results.rows import Row, number_of

__all__ = ["PACKED_FIELDS", "VISIT_TABLES", "Columns", "VisitReader", "visit_rows"]

T = TypeVar("T")

Columns = Sequence[Sequence[object]]

PACKED_FIELDS = {"readings": tuple(Reading.__dataclass_fields__), "watched": tuple(WatchRange.__dataclass_fields__)}
"""The columns of the tables whose rows are read column by column; they are called as the fields of the records."""

_OUTCOMES = {outcome.value: outcome for outcome in Outcome}

VISIT_TABLES = ("traces", "tests", "changes", "readings", "checks", "trials", "watched", "faults", "visits")


def visit_rows(run_id: str, record: VisitRecord) -> Mapping[str, Sequence[Row]]:
    """Return the rows of a visit, by table name, ``visits`` first."""
    visit = record.visit
    key = (run_id, visit.ordinal)
    return {
        "visits": [
            {
                "run_id": run_id,
                "visit": visit.ordinal,
                "corner": clean_text(visit.corner),
                "repeat": visit.repeat,
                "is_control": int(visit.is_control),
                "is_after_seam": int(visit.is_after_seam),
                "is_void": int(visit.is_void),
                "outcome": visit.outcome.value,
                "reason": clean_text(visit.reason),
                "started_utc": utc_text(visit.started_utc),
                "start_s": visit.start_s,
                "end_s": visit.end_s,
                "phase_s_json": _numbers_text(visit.phase_s),
                "conditions_json": _numbers_text(visit.conditions),
            }
        ],
        "readings": [_reading_row(key, position, item) for position, item in enumerate(record.readings)],
        "checks": [
            {
                **_keyed(key, position),
                "check_name": clean_text(item.check),
                "outcome": item.outcome.value,
                "reason": clean_text(item.reason),
                "trials": item.trials,
                "failures": item.failures,
            }
            for position, item in enumerate(record.checks)
        ],
        "trials": [_trial_row(key, position, item) for position, item in enumerate(record.trials)],
        "watched": [
            {
                **_keyed(key, position),
                "rail": clean_text(item.rail),
                "during": clean_text(item.during),
                "min_v": item.min_v,
                "max_v": item.max_v,
                "samples": item.samples,
            }
            for position, item in enumerate(record.watched)
        ],
        "faults": [
            {
                **_keyed(key, position),
                "at_s": item.at_s,
                "kind": clean_text(item.kind),
                "originator": clean_text(item.originator),
                "followers_json": to_json(item.followers),
                "why": clean_text(item.why),
                "captures_json": to_json(item.captures),
            }
            for position, item in enumerate(record.faults)
        ],
        "traces": _whole(key, "traces_json", record.traces),
        "tests": _whole(key, "tests_json", record.tests),
        "changes": _whole(key, "changes_json", record.changes),
    }


class VisitReader:
    """Makes records of visits from their rows; what many of them have in common is held once."""

    def __init__(self) -> None:
        self._readings = Packer(Reading, alike=("target_v", "setpoint_v", "reference_range_v"))
        self._watched = Packer(WatchRange)
        self._traces = Packer(SettleTrace, alike=("target_v",), paths=("points",))

    def record(self, visit: Row, tables: Mapping[str, Sequence[Row]], packed: Mapping[str, Columns]) -> VisitRecord:
        """Return a visit from its own row, its rows in other tables, and its columns of those in `PACKED_FIELDS`."""
        return VisitRecord(
            visit=Visit(
                ordinal=visit["visit"],
                corner=visit["corner"],
                repeat=visit["repeat"],
                is_control=bool(visit["is_control"]),
                is_after_seam=bool(visit["is_after_seam"]),
                is_void=bool(visit["is_void"]),
                outcome=Outcome(visit["outcome"]),
                reason=visit["reason"],
                started_utc=utc_from_text(visit["started_utc"]),
                start_s=number_of(visit["start_s"]),
                end_s=number_of(visit["end_s"]),
                phase_s=_numbers(visit["phase_s_json"]),
                conditions=_numbers(visit["conditions_json"]),
            ),
            readings=self._readings.packed(_columns("readings", packed["readings"])),
            checks=tuple(
                CheckResult(
                    check=row["check_name"],
                    outcome=Outcome(row["outcome"]),
                    reason=row["reason"],
                    trials=row["trials"],
                    failures=row["failures"],
                )
                for row in tables["checks"]
            ),
            trials=tuple(
                Trial(
                    check=row["check_name"],
                    trial=row["trial"],
                    passed=None if row["passed"] is None else bool(row["passed"]),
                    numbers=_numbers(row["numbers_json"]),
                    duration_s=number_of(row["duration_s"]),
                    output=row["output"],
                    reason=row["reason"],
                )
                for row in tables["trials"]
            ),
            watched=self._watched.packed(_columns("watched", packed["watched"])),
            faults=tuple(
                Fault(
                    visit=row["visit"],
                    at_s=number_of(row["at_s"]),
                    kind=row["kind"],
                    originator=row["originator"],
                    followers=from_json(row["followers_json"], tuple[str, ...]),
                    why=row["why"],
                    captures=from_json(row["captures_json"], tuple[StatusCapture, ...]),
                )
                for row in tables["faults"]
            ),
            traces=self._traces.pack(_read_whole(tables, "traces", "traces_json", tuple[SettleTrace, ...])),
            tests=_read_whole(tables, "tests", "tests_json", tuple[SuiteTest, ...]),
            changes=_read_whole(tables, "changes", "changes_json", tuple[ConditionChange, ...]),
        )


def _numbers_of(cells: Sequence[object]) -> Sequence[object]:
    return [math.nan if cell is None else cell for cell in cells] if None in cells else cells


def _outcomes_of(cells: Sequence[object]) -> Sequence[object]:
    return [_OUTCOMES.get(cell) or Outcome(cell) for cell in cast("Sequence[str]", cells)]


_FROM_CELLS = {"target_v": _numbers_of, "min_v": _numbers_of, "max_v": _numbers_of, "outcome": _outcomes_of}


def _columns(table: str, columns: Columns) -> Columns:
    """Turn the columns of a table into those of records."""
    names = zip(PACKED_FIELDS[table], columns, strict=False)  # no columns at all of a visit without rows
    return [_FROM_CELLS[name](cells) if name in _FROM_CELLS else cells for name, cells in names]


def _whole(key: tuple[str, int], column: str, items: Sequence[object]) -> Sequence[Row]:
    """Make the one row that holds all items of a visit; nobody searches in them."""
    return [{"run_id": key[0], "visit": key[1], column: to_json(items)}] if items else []


def _read_whole(tables: Mapping[str, Sequence[Row]], table: str, column: str, kind: type[T]) -> T:
    return from_json(next((row[column] for row in tables.get(table, ())), "[]"), kind)


def _keyed(key: tuple[str, int], position: int) -> Row:
    return {"run_id": key[0], "visit": key[1], "position": position}


def _reading_row(key: tuple[str, int], position: int, item: Reading) -> Row:
    return {
        "run_id": key[0],
        "visit": key[1],
        "position": position,
        "rail": clean_text(item.rail),
        "level": clean_text(item.level),
        "target_v": item.target_v,
        "setpoint_v": item.setpoint_v,
        "word": item.word,
        "telemetry_v": item.telemetry_v,
        "telemetry_n": item.telemetry_n,
        "reference_v": item.reference_v,
        "reference_range_v": item.reference_range_v,
        "settle_s": item.settle_s,
        "status_word": item.status_word,
        "current_a": item.current_a,
        "temperature_degc": item.temperature_degc,
        "outcome": item.outcome.value,
        "reason": clean_text(item.reason),
    }


def _trial_row(key: tuple[str, int], position: int, item: Trial) -> Row:
    return {
        "run_id": key[0],
        "visit": key[1],
        "position": position,
        "check_name": clean_text(item.check),
        "trial": item.trial,
        "passed": None if item.passed is None else int(item.passed),
        "numbers_json": _numbers_text(item.numbers),
        "duration_s": item.duration_s,
        "output": clean_text(item.output),
        "reason": clean_text(item.reason),
    }


def _numbers_text(numbers: Mapping[str, float]) -> str:
    return to_json(numbers) if numbers else "{}"


def _numbers(text: str) -> Mapping[str, float]:
    return {} if text == "{}" else from_json(text, dict[str, float])
