"""`cornerrun measure`: read every rail once; move nothing."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cornerrun.cli.common import (
    at_bench,
    bench_option,
    json_option,
    no_input_option,
    plan_argument,
    print_json,
    read_files,
    real_time_option,
)
from cornerrun.errors import EXIT_FAIL, EXIT_PASS
from cornerrun.units import Kind, show

if TYPE_CHECKING:
    from cornerrun.results.records import Reading


@click.command()
@plan_argument
@bench_option
@real_time_option
@no_input_option
@json_option
def command(*, plan_path: Path, bench_path: Path | None, real_time: bool, no_input: bool, as_json: bool) -> int:
    """Read every rail once, by telemetry and by the reference meter; move nothing.

    Exit 1 if a rail is not near the plan's nominal.
    """
    from cornerrun.results.records import Outcome
    from cornerrun.run.hold import measure

    plan, bench_file = read_files(plan_path, bench_path)
    with at_bench(
        plan, bench_file, purpose=f"measuring for {plan_path}", real_time=real_time, no_input=no_input
    ) as bench:
        readings = measure(plan, bench_file, bench.ports, bench.clock)
    if as_json:
        print_json([_as_data(reading) for reading in readings])
    else:
        for line in _table(readings):
            click.echo(line)
    return EXIT_PASS if all(reading.outcome is Outcome.PASS for reading in readings) else EXIT_FAIL


def _table(readings: "tuple[Reading, ...]") -> list[str]:
    rows = [("RAIL", "NOMINAL", "TELEMETRY", "METER", "METER - NOMINAL", "CURRENT", "STATUS_WORD", "")]
    for reading in readings:
        error = None if reading.reference_v is None else reading.reference_v / reading.target_v - 1
        rows.append(
            (
                reading.rail,
                show(reading.target_v, Kind.VOLTAGE),
                _volts(reading.telemetry_v),
                _volts(reading.reference_v),
                "-" if error is None else f"{error:+.3%}",
                "-" if reading.current_a is None else show(reading.current_a, Kind.CURRENT, digits=3),
                "-" if reading.status_word is None else f"0x{reading.status_word:04X}",
                " ".join(filter(None, (str(reading.outcome), reading.reason))),
            )
        )
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return ["  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _volts(volts: float | None) -> str:
    return "-" if volts is None else f"{volts:.6f} V"


def _as_data(reading: "Reading") -> dict[str, object]:
    return {
        "rail": reading.rail,
        "nominal_v": reading.target_v,
        "telemetry_v": reading.telemetry_v,
        "reference_v": reading.reference_v,
        "current_a": reading.current_a,
        "temperature_degc": reading.temperature_degc,
        "status_word": reading.status_word,
        "outcome": reading.outcome,
        "reason": reading.reason,
    }
