"""A run as flat tables, one row a thing, with SI units in the column names: for pandas, for CSV, for a notebook."""

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from cornerrun.results.records import RunData
from cornerrun.results.table_rows import INSTRUMENT_FIELDS, ROWS

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "frame", "frames", "rows"]

# Column names end in their SI unit: _v volt, _a ampere, _s second, _degc degree Celsius; _utc is ISO 8601.
COLUMNS: Mapping[str, tuple[str, ...]] = {
    "run": (
        "run_id",
        "serial",
        "title",
        "bench_id",
        "bench_kind",
        "station",
        "operator",
        "seed",
        "started_utc",
        "ended_utc",
        "result",
        "end_state",
        "why",
    ),
    "setpoints": (
        "rail",
        "level",
        "target_v",
        "word",
        "decoded_v",
    ),
    "corners": (
        "corner",
        "scheme",
        "rail",
        "level",
    ),
    "not_runnable": (
        "corner",
        "scheme",
        "reason",
    ),
    "visits": (
        "visit",
        "corner",
        "repeat",
        "is_control",
        "is_void",
        "is_after_seam",
        "outcome",
        "reason",
        "started_utc",
        "start_s",
        "end_s",
    ),
    "conditions": (
        "visit",
        "condition",
        "measured",
    ),
    "changes": (
        "visit",
        "condition",
        "level",
        "unit",
        "target",
        "came_from",
        "measured",
        "started_s",
        "took_s",
        "ramp_per_s",
        "steepest_per_s",
        "is_board_on",
        "sensor",
        "sensed_degc",
    ),
    "change_traces": (
        "visit",
        "condition",
        "level",
        "since_start_s",
        "measured",
    ),
    "phases": (
        "visit",
        "phase",
        "duration_s",
    ),
    "readings": (
        "visit",
        "corner",
        "repeat",
        "is_control",
        "is_void",
        "rail",
        "level",
        "target_v",
        "setpoint_v",
        "word",
        "telemetry_v",
        "telemetry_n",
        "reference_v",
        "reference_range_v",
        "settle_s",
        "status_word",
        "current_a",
        "temperature_degc",
        "outcome",
        "reason",
    ),
    "checks": (
        "visit",
        "corner",
        "repeat",
        "is_control",
        "is_void",
        "check",
        "outcome",
        "reason",
        "trials",
        "failures",
    ),
    "trials": (
        "visit",
        "corner",
        "check",
        "trial",
        "passed",
        "duration_s",
        "reason",
        "output",
    ),
    "numbers": (
        "visit",
        "corner",
        "check",
        "trial",
        "number",
        "result",
    ),
    "watched": (
        "visit",
        "corner",
        "rail",
        "during",
        "min_v",
        "max_v",
        "samples",
    ),
    "faults": (
        "fault",
        "visit",
        "corner",
        "at_s",
        "kind",
        "originator",
        "followers",
        "why",
    ),
    "captures": (
        "fault",
        "visit",
        "rail",
        "taken_at_s",
        "register",
        "register_value",
        "fault_log_hex",
    ),
    "events": (
        "at_s",
        "at_utc",
        "severity",
        "rail",
        "what",
    ),
    "instruments": INSTRUMENT_FIELDS,
    "traces": (
        "visit",
        "corner",
        "rail",
        "target_v",
        "since_command_s",
        "reading_v",
    ),
    "tests": (
        "visit",
        "corner",
        "check",
        "trial",
        "test",
        "passed",
        "duration_s",
        "reason",
    ),
    "interaction": (
        "stepped",
        "step_v",
        "rail",
        "telemetry_v",
        "reference_v",
    ),
    "sources": (
        "role",
        "path",
        "sha256",
    ),
}


def rows(data: RunData, table: str) -> Iterator[tuple[object, ...]]:
    """Give the rows of one table in the order of `COLUMNS`; times as ISO 8601 text, outcomes as words.

    Raises KeyError for a table that is not in `COLUMNS`.
    """
    return ROWS[table](data)


def frame(data: RunData, table: str) -> "pd.DataFrame":
    """Return one table of a run as a pandas frame; an empty one keeps its columns."""
    import pandas as pd

    return pd.DataFrame.from_records(list(rows(data, table)), columns=list(COLUMNS[table]))


def frames(data: RunData) -> "Mapping[str, pd.DataFrame]":
    """Return every table of a run by name."""
    return {table: frame(data, table) for table in COLUMNS}
