"""What a person must see before anything moves: simulated or hardware, which rails, how far, and where it ends."""

from collections.abc import Iterator

from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Plan, Rail
from cornerrun.units import Kind, show

__all__ = ["banner"]

_WIDTH = 78
_CAUTIONS = (
    "Not a safety device: software cannot stop a fast over-voltage. Rely on the devices' own OV fault response,",
    "supply OVP and OCP, a fuse and a hard-wired emergency stop. Stored energy, hot parts, ESD: keep hands off.",
    "Never unattended without hardware backstops. Local codes and licensed practice rule.",
)


def banner(plan: Plan, bench_file: BenchFile, *, serial: str, visits: int) -> str:
    """Write the opening text of a run."""
    return "\n".join(_lines(plan, bench_file, serial, visits))


def _lines(plan: Plan, bench_file: BenchFile, serial: str, visits: int) -> Iterator[str]:
    simulated = bench_file.kind == "simulated"
    yield "=" * _WIDTH
    yield "  ".join("SIMULATED" if simulated else "HARDWARE").center(_WIDTH).rstrip()
    yield "=" * _WIDTH
    yield f"{plan.title}: {plan.board.name}, revision {plan.board.revision}, serial {serial}, {visits} visits"
    yield f"station {bench_file.station}"
    if not simulated:
        yield from _CAUTIONS
    moved = [rail for rail in plan.rails if rail.is_moved]
    yield f"Moves {len(moved)} of {len(plan.rails)} rails (share of the way from nominal to the hard limit):"
    width = max((len(rail.name) for rail in moved), default=0)
    for rail in moved:
        yield f"  {rail.name:<{width}}  {'  '.join(_extremes(rail))}"
    yield "Ends at nominal, verified; off if a hard limit is crossed or nominal cannot be reached."


def _extremes(rail: Rail) -> Iterator[str]:
    lowest, highest = min(rail.levels.values()), max(rail.levels.values())
    yield f"nominal {show(rail.nominal_v, Kind.VOLTAGE):>8}"
    for word, target_v, limit_v in (
        ("low", lowest, rail.hard_limits.min_v),
        ("high", highest, rail.hard_limits.max_v),
    ):
        if target_v != rail.nominal_v:
            share = (target_v - rail.nominal_v) / (limit_v - rail.nominal_v)
            yield f"{word} {show(target_v, Kind.VOLTAGE):>8} ({share:4.0%} of the way to {show(limit_v, Kind.VOLTAGE)})"
    if rail.tracks is not None:
        yield f"follows {rail.tracks.rail}"
