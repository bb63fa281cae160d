"""Audit a run: tell whether every cell that was kept of it is still as it was kept."""

import json
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, cast

from sqlalchemy import Connection, Table, inspect, select

from cornerrun.results import schema
from cornerrun.results.codec import from_json
from cornerrun.results.heads import Head
from cornerrun.results.records import VisitRecord
from cornerrun.results.rows import Row
from cornerrun.results.trail import CHANGING, FIRST, Link, key_columns, link_hash, links
from cornerrun.results.visit_rows import visit_rows

__all__ = ["Audit", "audit"]

_APART = {"audit", "cornerrun_store"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Audit:
    """What an audit found. ``findings`` is empty where nothing has been changed; ``head`` is that of the trail."""

    run_id: str
    head: Head
    kept_heads: int
    findings: tuple[str, ...]


@dataclass
class _Rows:
    """The rows of one table: by their key, or in order; whatever no link took is left."""

    by_key: dict[tuple[object, ...], list[Row]] = field(default_factory=dict)
    in_order: list[Row] = field(default_factory=list)
    taken: int = 0

    def take(self, key: Sequence[object] | None, count: int) -> list[Row]:
        if key is not None:
            return self.by_key.pop(tuple(key), [])
        found = self.in_order[self.taken : self.taken + count]
        self.taken += len(found)
        return found

    @property
    def left(self) -> int:
        return sum(map(len, self.by_key.values())) + len(self.in_order) - self.taken


def audit(connection: Connection, run_id: str, kept: Sequence[Head], reported: Head | None = None) -> Audit:
    """Walk the trail of a run and hash all its rows again.

    ``kept`` are the heads of the side file, ``reported`` one that a report shows: each must lie on the trail.
    """
    trail = links(connection, run_id)
    head = Head(links=len(trail), sha256=trail[-1].sha256 if trail else FIRST)
    findings = [*_database(connection)]
    if not trail:
        findings.append("no audit trail: the run was kept by an earlier version, or its trail is gone")
    else:
        tables = {name: _load(connection, table, run_id) for name, table in _tables(connection).items()}
        findings += _links(trail, tables)
        findings += _changed_values(connection, run_id, trail)
        findings += (
            f"{name}: rows that the trail does not know ({rows.left})" for name, rows in tables.items() if rows.left
        )
        if not kept:
            findings.append("the side file beside the store has no head of this run: it is gone, or was never written")
    findings += (f"the head in the side file at link {one.links} is not on the trail" for one in _off(kept, trail))
    findings += ("the head of the report is not on the trail" for _ in _off([reported] if reported else [], trail))
    return Audit(run_id=run_id, head=head, kept_heads=len(kept), findings=tuple(findings))


def _off(heads: Sequence[Head], trail: Sequence[Link]) -> Iterator[Head]:
    for head in heads:
        if not 0 < head.links <= len(trail) or trail[head.links - 1].sha256 != head.sha256:
            yield head


def _database(connection: Connection) -> Iterator[str]:
    if connection.dialect.name == "sqlite":
        told = connection.exec_driver_sql("PRAGMA integrity_check(10)").scalars().all()
        if told != ["ok"]:
            yield f"the database file is damaged: {'; '.join(map(str, told))}"


def _tables(connection: Connection) -> Mapping[str, Table]:
    there = set(inspect(connection).get_table_names())
    return {
        name: table
        for name, table in schema.metadata.tables.items()
        if name in there and name not in _APART and "run_id" in table.c
    }


def _load(connection: Connection, table: Table, run_id: str) -> _Rows:
    order = [*table.primary_key]
    query = select(table).where(table.c.run_id == run_id).order_by(*order)
    found = cast("Sequence[Row]", connection.execute(query).mappings().all())
    columns = key_columns(table)
    rows = _Rows()
    if columns is None:
        rows.in_order = list(found)
        return rows
    grouped: dict[tuple[object, ...], list[Row]] = defaultdict(list)
    for row in found:
        grouped[tuple(row[column] for column in columns)].append(row)
    rows.by_key = dict(grouped)
    return rows


def _links(trail: Sequence[Link], tables: Mapping[str, _Rows]) -> Iterator[str]:
    put_aside = defaultdict(list)
    for row in tables["discarded"].in_order if "discarded" in tables else ():
        put_aside[row["visit"]].append(row["record_json"])
    previous = FIRST
    for place, link in enumerate(trail):
        try:
            covers: Any = json.loads(link.covers)
            rows = dict(_covered(covers["tables"], tables, put_aside, link.kind))
            is_sound = link.number == place and link.sha256 == link_hash(
                previous, link.number, link.kind, link.covers, rows
            )
        except (ValueError, KeyError, TypeError, AttributeError, IndexError):
            is_sound = False
            covers = {}
        if not is_sound:
            yield f"link {place} ({_named(link, covers)}): what was kept with it, or the link itself, was changed"
        previous = link.sha256


def _covered(
    covers: Mapping[str, Any], tables: Mapping[str, _Rows], put_aside: Mapping[int, list[str]], kind: str
) -> Iterator[tuple[str, Sequence[Row]]]:
    if kind == "visit":
        aside = put_aside.get(covers["visits"][0][0])
        if aside:
            # A visit that was made again later: as it was, it lies with those put aside.
            text = aside.pop(0)
            run_rows = visit_rows(_run_of(tables), from_json(text, VisitRecord))
            yield from ((name, rows) for name, rows in run_rows.items() if rows)
            return
    for name, (key, count) in covers.items():
        rows = tables[name].take(key, count)
        if rows:
            yield name, rows


def _run_of(tables: Mapping[str, _Rows]) -> str:
    return str(tables["discarded"].in_order[0]["run_id"])


def _changed_values(connection: Connection, run_id: str, trail: Sequence[Link]) -> Iterator[str]:
    """Compare columns that may change with what the last link that changed them says."""
    last: dict[str, Mapping[str, object]] = {}
    acknowledged: set[tuple[tuple[str, object], ...]] = set()
    for link in trail:
        try:
            values = json.loads(link.covers)["values"]
            last |= values
        except (ValueError, KeyError, TypeError):
            continue  # told already
        if "latches" in values:
            acknowledged.add(tuple(sorted(values["latches"].items())))
    row = connection.execute(select(schema.runs).where(schema.runs.c.run_id == run_id)).mappings().first()
    expected = last.get("runs", dict.fromkeys(CHANGING["runs"]) | {"why": ""})
    if row is None or any(row[name] != expected[name] for name in CHANGING["runs"]):
        yield "runs: how the run ended is not what was kept when it ended"
    if "latches" not in inspect(connection).get_table_names():
        return
    table = schema.latches
    for latch in connection.execute(select(table).where(table.c.run_id == run_id)).mappings():
        found = tuple(sorted((name, latch[name]) for name in CHANGING["latches"]))
        if latch["acknowledged_utc"] is None:
            is_sound = latch["acknowledged_by"] == "" and latch["found"] == ""
        else:
            is_sound = found in acknowledged
        if not is_sound:
            yield "latches: the acknowledgement is not what was kept when it was given"


def _named(link: Link, covers: Mapping[str, Any]) -> str:
    try:
        return f"visit {covers['tables']['visits'][0][0] + 1}" if link.kind == "visit" else link.kind
    except (KeyError, TypeError, IndexError):
        return link.kind
