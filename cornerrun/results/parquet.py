"""Write a run as Parquet files, one a table: typed columns, units and hashes in the metadata."""

import math
from collections.abc import Sequence
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from cornerrun.errors import ReportError
from cornerrun.results.codec import clean_text
from cornerrun.results.records import RunData
from cornerrun.results.tables import COLUMNS, rows

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["export_parquet"]

_ROWS_A_GROUP = 100_000  # chosen: some tens of megabytes, and what readers of Parquet take for a small group
_WHOLE = {
    "visit",
    "repeat",
    "word",
    "telemetry_n",
    "status_word",
    "trials",
    "failures",
    "trial",
    "samples",
    "fault",
    "register_value",
    "seed",
}
_YES_NO = {"is_control", "is_void", "is_after_seam", "passed", "is_board_on"}
_NUMBERS = {
    "measured",
    "result",
    "nplc",
    "coverage",
    "target",
    "came_from",
    "ramp_per_s",
    "steepest_per_s",
}
_UNITS = {"_v": "V", "_s": "s", "_a": "A", "_degc": "degC", "_hz": "Hz", "_ratio": "1"}


def export_parquet(data: RunData, directory: Path) -> tuple[Path, ...]:
    """Write every table that has rows into a folder, made if need be; return the files.

    Columns are typed: 64-bit floats and whole numbers, booleans, times in UTC with microseconds, text; what was not
    measured is null. A column's metadata holds its ``unit``; the file's hold the run, its serial number, the version
    of cornerrun, and the SHA-256 of every file that the run was made from, as ``sha256:ROLE:NAME``. A file of a table
    that has no rows now is removed. Raises ReportError if the folder cannot be written.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    metadata = _metadata(data)
    written: list[Path] = []
    try:
        directory.mkdir(parents=True, exist_ok=True)
        for table, columns in COLUMNS.items():
            path = directory / f"{table}.parquet"
            content = rows(data, table)
            group = list(islice(content, _ROWS_A_GROUP))
            if not group:
                path.unlink(missing_ok=True)
                continue
            schema = pa.schema([_field(table, column) for column in columns], metadata={**metadata, "table": table})
            with pq.ParquetWriter(path, schema, compression="zstd") as writer:
                while group:
                    writer.write_table(_rows(group, schema))
                    group = list(islice(content, _ROWS_A_GROUP))
            written.append(path)
    except OSError as error:
        raise ReportError(f"{directory}: the tables cannot be written: {error.strerror or error}") from error
    return tuple(written)


def _rows(group: Sequence[Sequence[object]], schema: "pa.Schema") -> "pa.Table":
    import pyarrow as pa

    arrays = [
        pa.array([_plain(value, field.type) for value in values], type=field.type)
        for values, field in zip(zip(*group, strict=True), schema, strict=True)
    ]
    return pa.Table.from_arrays(arrays, schema=schema)


def _metadata(data: RunData) -> dict[str, str]:
    run = data.run
    hashes = {clean_text(f"sha256:{item.role}:{item.path.name}"): item.sha256 for item in run.sources}
    told = {
        "run_id": run.run_id,
        "serial": run.serial,
        "title": run.title,
        "started_utc": run.started_utc.isoformat(),
        **{f"version:{name}": version for name, version in run.versions.items()},
    }
    return {**{clean_text(name): clean_text(text) for name, text in told.items()}, **hashes}


def _field(table: str, column: str) -> "pa.Field":
    import pyarrow as pa

    unit = next((unit for suffix, unit in _UNITS.items() if column.endswith(suffix)), None)
    metadata = {"unit": unit} if unit else None
    if column.endswith("_utc"):
        return pa.field(column, pa.timestamp("us", tz="UTC"))
    if column == "result" and table == "run":
        return pa.field(column, pa.string())
    if column in _YES_NO:
        return pa.field(column, pa.bool_())
    if column in _WHOLE:
        return pa.field(column, pa.int64())
    if unit or column in _NUMBERS:
        return pa.field(column, pa.float64(), metadata=metadata)
    return pa.field(column, pa.string())


def _plain(value: object, kind: "pa.DataType") -> object:
    from pyarrow import types

    if isinstance(value, str):
        if types.is_timestamp(kind):
            from datetime import datetime

            return datetime.fromisoformat(value)
        return clean_text(value)
    if isinstance(value, float) and math.isnan(value):
        return None
    if value is not None and types.is_string(kind):
        return clean_text(str(value))
    return value
