"""The audit trail of a run: one link for each thing kept, hashed over its rows together with the link before.

A link's SHA-256 covers, as canonical JSON: the hash of the link before, its number, its kind, what it covers, and
every cell of the rows that were kept with it. Whoever changes a cell must change every later link, and then the head
no longer is the one in the report and in the side file.
"""

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from sqlalchemy import Connection, Double, Table, select

from cornerrun.results import schema
from cornerrun.results.rows import Row

__all__ = ["CHANGING", "FIRST", "Heads", "Link", "cells", "key_columns", "link_hash", "links", "next_link"]

FIRST = "0" * 64
"""What stands in for the hash of the link before the first."""

CHANGING: Mapping[str, tuple[str, ...]] = {
    "runs": ("ended_utc", "result", "end_state", "why"),
    "latches": ("acknowledged_utc", "acknowledged_by", "found"),
}
"""Columns that a later link may change; that link holds their new values."""

Heads = dict[str, tuple[int, str]]


@dataclass(frozen=True, kw_only=True, slots=True)
class Link:
    """One link. ``covers`` holds the ``tables`` with key and number of rows, and the ``values`` that it changed."""

    number: int
    kind: str
    covers: str
    sha256: str


def next_link(  # noqa: PLR0917 - a link, in the order of its parts
    connection: Connection,
    heads: Heads,
    run_id: str,
    kind: str,
    rows: Mapping[str, Sequence[Row]],
    values: Mapping[str, Mapping[str, object]],
) -> Row:
    """Return the row of the link for rows that are kept now.

    ``heads`` holds how many links each run has, and the last hash; it is filled from the store and moved on here.
    """
    if run_id not in heads:
        heads[run_id] = _head(connection, run_id)
    number, previous = heads[run_id]
    covers = json.dumps(
        {
            "tables": {name: [_key_of(name, found[0]), len(found)] for name, found in rows.items() if found},
            "values": values,
        },
        separators=(",", ":"),
    )
    sha256 = link_hash(previous, number, kind, covers, {name: found for name, found in rows.items() if found})
    heads[run_id] = (number + 1, sha256)
    return {"run_id": run_id, "link": number, "kind": kind, "covers_json": covers, "sha256": sha256}


def link_hash(previous: str, number: int, kind: str, covers: str, rows: Mapping[str, Sequence[Row]]) -> str:
    """Hash a link: SHA-256, hexadecimal."""
    content = {name: [cells(name, row) for row in found] for name, found in rows.items()}
    text = json.dumps([previous, number, kind, covers, content], separators=(",", ":"), sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def cells(name: str, row: Row) -> list[object]:
    """Return the cells of a row that never change, as the database gives them back."""
    return [_number(row[column]) if is_number else row[column] for column, is_number in _columns(name)]


def key_columns(table: Table) -> tuple[str, ...] | None:
    """Name the columns that tell the rows of one link from those of another; None where their order does."""
    if table.autoincrement_column is not None:
        return None
    return tuple(column.name for column in table.primary_key if column.name not in {"run_id", "position"})


def links(connection: Connection, run_id: str) -> tuple[Link, ...]:
    """Return the trail of a run, in order."""
    table = schema.audit
    found = connection.execute(select(table).where(table.c.run_id == run_id).order_by(table.c.link))
    return tuple(Link(number=row.link, kind=row.kind, covers=row.covers_json, sha256=row.sha256) for row in found.all())


def _head(connection: Connection, run_id: str) -> tuple[int, str]:
    table = schema.audit
    query = select(table.c.link, table.c.sha256).where(table.c.run_id == run_id).order_by(table.c.link.desc()).limit(1)
    last = connection.execute(query).first()
    return (0, FIRST) if last is None else (last.link + 1, last.sha256)


def _key_of(name: str, row: Row) -> list[object] | None:
    columns = key_columns(schema.metadata.tables[name])
    return None if columns is None else [row[column] for column in columns]


@cache
def _columns(name: str) -> tuple[tuple[str, bool], ...]:
    table = schema.metadata.tables[name]
    left_out = set(CHANGING.get(name, ()))
    if table.autoincrement_column is not None:
        left_out.add(table.autoincrement_column.name)
    return tuple((one.name, isinstance(one.type, Double)) for one in table.columns if one.name not in left_out)


def _number(cell: float | None) -> float | None:
    # SQLite keeps NaN as NULL, and a whole number in a column of floats as a float; it keeps no negative zero.
    return None if cell is None or math.isnan(cell) else float(cell) + 0.0
