"""The stress ledger of a board: how long each rail stood above nominal, by level, in every run of its serial number."""

import json
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import cast

from sqlalchemy import Connection, Select, inspect, select

from cornerrun.corners.model import Step
from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.plan.serial import plan_from_json
from cornerrun.results import schema
from cornerrun.results.codec import from_json, utc_from_text
from cornerrun.results.records import Run, VisitRecord
from cornerrun.results.rows import Row, number_of

__all__ = ["StressEntry", "above_nominal", "ledger"]


@dataclass(frozen=True, kw_only=True, slots=True)
class StressEntry:
    """One rail at one level above nominal, over all runs of a board.

    ``time_s`` is that of whole visits less what conditions took, when rails rest; ``lost_s`` that of visits that were
    never kept, since their run was killed: from the intent until the board was back, which is a bound. Void visits,
    visits put aside and holds count like others. ``cycles`` is how often steps moved the rail to the level: visits
    between which it stayed there are one cycle.
    """

    rail: str
    level: str
    highest_v: float
    time_s: float
    lost_s: float
    visits: int
    cycles: int
    runs: int

    @property
    def total_s(self) -> float:
        """All of it, in seconds."""
        return self.time_s + self.lost_s


@dataclass(frozen=True, kw_only=True, slots=True)
class _Stay:
    run_id: str
    levels: Mapping[str, str]
    time_s: float
    is_lost: bool


def ledger(connection: Connection, runs: Sequence[Run], now_utc: datetime) -> tuple[StressEntry, ...]:
    """Add up the runs of one board, rail by rail and level by level, the longest first."""
    found: dict[tuple[str, str], list[tuple[_Stay, float]]] = defaultdict(list)
    cycles: Counter[tuple[str, str]] = Counter()
    for run in runs:
        plan = plan_from_json(run.plan_json)
        intents = _intents(connection, run)
        cycles.update(arrival for _, step in intents for arrival in _arrivals(plan, step))
        for stay in _stays(connection, run, intents, now_utc):
            for rail, level in above_nominal(plan, stay.levels).items():
                found[rail, level].append((stay, plan.rail(rail).levels[level]))
    entries = [
        StressEntry(
            rail=rail,
            level=level,
            highest_v=max(target_v for _, target_v in stays),
            time_s=sum(stay.time_s for stay, _ in stays if not stay.is_lost),
            lost_s=sum(stay.time_s for stay, _ in stays if stay.is_lost),
            visits=len(stays),
            cycles=cycles[rail, level],
            runs=len({stay.run_id for stay, _ in stays}),
        )
        for (rail, level), stays in found.items()
    ]
    return tuple(sorted(entries, key=lambda entry: (-entry.total_s, entry.rail, entry.level)))


def above_nominal(plan: Plan, levels: Mapping[str, str]) -> Mapping[str, str]:
    """Tell which rails, and at which level, stand above nominal when rails are at ``levels``: followers included.

    A negative rail is above nominal where it is further from zero.
    """
    found = {}
    for rail in plan.rails:
        level = levels.get(rail.name, levels.get(_leader(plan, rail).name, NOMINAL))
        if abs(rail.levels.get(level, rail.nominal_v)) > abs(rail.nominal_v):
            found[rail.name] = level
    return found


def _leader(plan: Plan, rail: Rail) -> Rail:
    while rail.tracks is not None:
        rail = plan.rail(rail.tracks.rail)
    return rail


def _arrivals(plan: Plan, step: Step) -> Iterator[tuple[str, str]]:
    """Tell which rails a step moved to a level above nominal, and to which; followers go with their leader."""
    moved = {item.rail for burst in step.moves for item in burst if item.level != NOMINAL}
    for rail, level in above_nominal(plan, step.corner.by_rail()).items():
        if _leader(plan, plan.rail(rail)).name in moved:
            yield rail, level


def _stays(
    connection: Connection, run: Run, intents: Sequence[tuple[datetime, Step]], now_utc: datetime
) -> Iterator[_Stay]:
    kept: list[datetime] = []
    table, readings = schema.visits, schema.readings
    levels: dict[int, dict[str, str]] = defaultdict(dict)
    away = select(readings.c.visit, readings.c.rail, readings.c.level).where(readings.c.run_id == run.run_id)
    for visit, rail, level in connection.execute(away.where(readings.c.level != NOMINAL)):
        levels[visit][rail] = level
    for row in _rows(connection, select(table).where(table.c.run_id == run.run_id)):
        kept.append(utc_from_text(row["started_utc"]))
        took_s = number_of(row["end_s"]) - number_of(row["start_s"])
        rested_s = json.loads(row["phase_s_json"]).get("condition", 0.0)
        yield _Stay(run_id=run.run_id, levels=levels[row["visit"]], time_s=took_s - rested_s, is_lost=False)
    for record in _put_aside(connection, run.run_id):
        kept.append(record.visit.started_utc)
        took_s = record.visit.end_s - record.visit.start_s - record.visit.phase_s.get("condition", 0.0)
        at = {reading.rail: reading.level for reading in record.readings if reading.level != NOMINAL}
        yield _Stay(run_id=run.run_id, levels=at, time_s=took_s, is_lost=False)
    yield from _lost(connection, run, intents, kept, now_utc)


def _put_aside(connection: Connection, run_id: str) -> Iterator[VisitRecord]:
    table = schema.discarded
    if inspect(connection).has_table(table.name):
        for text in connection.execute(select(table.c.record_json).where(table.c.run_id == run_id)).scalars():
            yield from_json(text, VisitRecord)


def _intents(connection: Connection, run: Run) -> Sequence[tuple[datetime, Step]]:
    table = schema.intents
    query = select(table).where(table.c.run_id == run.run_id).order_by(table.c.intent)
    return [(utc_from_text(row["at_utc"]), from_json(row["step_json"], Step)) for row in _rows(connection, query)]


def _lost(
    connection: Connection,
    run: Run,
    intents: Sequence[tuple[datetime, Step]],
    kept: Sequence[datetime],
    now_utc: datetime,
) -> Iterator[_Stay]:
    """Give the steps that were begun and of which nothing was kept, until the board was brought back."""
    closings = sorted(_closings(connection, run, now_utc))
    for place, (at_utc, step) in enumerate(intents):
        next_utc = intents[place + 1][0] if place + 1 < len(intents) else now_utc
        if any(at_utc <= started < next_utc for started in kept):
            continue
        back_utc = next((one for one in closings if one >= at_utc), next_utc)
        away = {item.rail: item.level for item in step.corner.levels if item.level != NOMINAL}
        time_s = (min(back_utc, next_utc) - at_utc).total_seconds()
        yield _Stay(run_id=run.run_id, levels=away, time_s=max(time_s, 0.0), is_lost=True)


def _closings(connection: Connection, run: Run, now_utc: datetime) -> Iterator[datetime]:
    """Tell when the run was closed, each time: a run that was resumed was closed more than once."""
    yield run.ended_utc or now_utc
    table = schema.audit
    if inspect(connection).has_table(table.name):
        query = select(table.c.covers_json).where(table.c.run_id == run.run_id, table.c.kind == "end")
        for text in connection.execute(query).scalars():
            ended = json.loads(text)["values"]["runs"]["ended_utc"]
            yield utc_from_text(ended)


def _rows(connection: Connection, query: Select[tuple[object, ...]]) -> Iterator[Row]:
    # A RowMapping is keyed by str here; SQLAlchemy types it by anything that names a column.
    yield from cast("Sequence[Row]", connection.execute(query).mappings())
