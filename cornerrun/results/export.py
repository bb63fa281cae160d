"""Write a run as CSV files, one a table (RFC 4180: commas, quotes doubled, CR LF, a header row)."""

import csv
import re
from itertools import chain
from pathlib import Path

from cornerrun.errors import ReportError
from cornerrun.results.codec import clean_text
from cornerrun.results.records import RunData
from cornerrun.results.tables import COLUMNS, rows

__all__ = ["export_csv"]

# A spreadsheet would take such text for a formula; the apostrophe in front is what a person would type to keep it text.
_FORMULA = re.compile(r"[=+\-@\t\r]")


def export_csv(data: RunData, directory: Path) -> tuple[Path, ...]:
    """Write every table that has rows into a folder, made if need be; return the files.

    UTF-8, a decimal point, SI units in the column names, floats to the last bit, nothing for what was not measured.
    Text that begins like a formula gets an apostrophe in front. A file that is there already is replaced; one of a
    table that has no rows now is removed. Raises ReportError if the folder cannot be written.
    """
    written: list[Path] = []
    try:
        directory.mkdir(parents=True, exist_ok=True)
        for table, columns in COLUMNS.items():
            path = directory / f"{table}.csv"
            content = rows(data, table)
            first = next(content, None)
            if first is None:
                path.unlink(missing_ok=True)
                continue
            with path.open("w", encoding="utf-8", newline="") as file:
                writer = csv.writer(file)
                writer.writerow(columns)
                # Row by row: of a long run, a table is larger than all else together.
                writer.writerows([_cell(value) for value in row] for row in chain([first], content))
            written.append(path)
    except OSError as error:
        raise ReportError(f"{directory}: the tables cannot be written: {error.strerror or error}") from error
    return tuple(written)


def _cell(value: object) -> object:
    if isinstance(value, str):
        text = clean_text(value)
        return f"'{text}" if _FORMULA.match(text) else text
    if isinstance(value, bool):
        return int(value)
    return value
