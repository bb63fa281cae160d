"""What a person must see before anything moves: simulated or hardware, which rails, how far, and where it ends."""

from collections.abc import Collection, Iterator

from cornerrun.corners.model import Corner
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Plan, Rail
from cornerrun.report.text_table import one_line
from cornerrun.units import Kind, show

__all__ = ["banner"]

_WIDTH = 78
_CAUTIONS = (
    "Not a safety device: software cannot stop a fast over-voltage. Rely on the devices' own OV fault response,",
    "supply OVP and OCP, a fuse and a hard-wired emergency stop. Stored energy, hot parts, ESD: keep hands off.",
    "Never unattended without hardware backstops. Local codes and licensed practice rule.",
)


def banner(plan: Plan, bench_file: BenchFile, *, serial: str, corners: Collection[Corner], visits: int) -> str:
    """Write the opening text of a run: only the rails and levels of ``corners``, the corners that it will visit."""
    return "\n".join(map(one_line, _lines(plan, bench_file, serial, corners, visits)))


def _lines(plan: Plan, bench_file: BenchFile, serial: str, corners: Collection[Corner], visits: int) -> Iterator[str]:
    simulated = bench_file.kind == "simulated"
    yield "=" * _WIDTH
    yield "  ".join("SIMULATED" if simulated else "HARDWARE").center(_WIDTH).rstrip()
    yield "=" * _WIDTH
    count = "1 visit" if visits == 1 else f"{visits} visits"
    yield f"{plan.title}: {plan.board.name}, revision {plan.board.revision}, serial {serial}, {count}"
    yield f"station {bench_file.station}"
    if not simulated:
        yield from _CAUTIONS
    reached = {rail.name: _reached_v(plan, rail, corners) for rail in plan.rails}
    moved = [rail for rail in plan.rails if reached[rail.name] != {rail.nominal_v}]
    yield f"Moves {len(moved)} of {len(plan.rails)} rails; % is the share of the way from nominal to the hard limit:"
    rows = [
        ("rail", "nominal", "lowest", "highest", "hard limits", ""),
        *(_row(one, reached[one.name]) for one in moved),
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        yield "  " + "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()
    if plan.proof is not None:
        step = show(plan.proof.step_ratio, Kind.RATIO)
        yield f"Before that each rail with a margin steps by {step} of nominal, alone, to prove the wiring."
    yield "Ends at nominal, verified; off if a hard limit is crossed or nominal cannot be reached."


def _reached_v(plan: Plan, rail: Rail, corners: Collection[Corner]) -> set[float]:
    """Tell the voltages a rail is taken to, nominal among them; a rail that tracks goes where its leader goes."""
    leader = rail
    while leader.tracks is not None:
        leader = plan.rail(leader.tracks.rail)
    levels = {level for corner in corners if (level := corner.by_rail().get(leader.name)) is not None}
    return {rail.nominal_v} | {rail.levels[level] for level in levels}


def _row(rail: Rail, reached_v: Collection[float]) -> tuple[str, ...]:
    limits = rail.hard_limits
    return (
        rail.name,
        show(rail.nominal_v, Kind.VOLTAGE),
        _extreme(min(reached_v), rail.nominal_v, limits.min_v),
        _extreme(max(reached_v), rail.nominal_v, limits.max_v),
        f"{show(limits.min_v, Kind.VOLTAGE)} to {show(limits.max_v, Kind.VOLTAGE)}",
        f"follows {rail.tracks.rail}" if rail.tracks is not None else "",
    )


def _extreme(target_v: float, nominal_v: float, limit_v: float) -> str:
    if target_v == nominal_v:
        return "-"
    return f"{show(target_v, Kind.VOLTAGE)} ({(target_v - nominal_v) / (limit_v - nominal_v):.0%})"
