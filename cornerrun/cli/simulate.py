"""`cornerrun simulate`: the simulated bench of a bench file behind TCP, in a process of its own."""

import io
import os
import select
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

import click

from cornerrun.errors import UsageError

if TYPE_CHECKING:
    from cornerrun.plan.bench_file import BenchFile

__all__ = ["command", "reaching_bench_text"]

_IN_PROCESS = "simulated"
_HEAD = "# Written by `cornerrun simulate`: good for as long as that command runs.\n"


@click.command(short_help="Put the simulated bench behind TCP, in a process of its own.")
@click.argument("bench_path", metavar="BENCH", type=click.Path(path_type=Path))
@click.option(
    "--write",
    "write_path",
    metavar="OUT.yaml",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the bench file that reaches it there; else to stdout.",
)
@click.option("--port-base", type=click.IntRange(1, 65535), help="First port; others follow. Any free ports if absent.")
@click.option("--seed", type=click.IntRange(min=0), help="Replaces the seed of the simulation file.")
@click.option("--serial", metavar="SN", help="Which unit of the simulated population is on the bench.")
def command(
    bench_path: Path, write_path: Path | None, port_base: int | None, seed: int | None, serial: str | None
) -> None:
    """Serve the simulated buses and instruments of BENCH on loopback TCP ports, until Ctrl-C or SIGTERM.

    SMBus messages and SCPI text travel through real sockets, wire time included. Use the bench file that it writes:
    `cornerrun run PLAN --bench OUT.yaml`. Supply, electronic load, chamber and the board's console get ports of their
    own, too, where the simulation has them.
    """
    from cornerrun.bench.simulated.server import SimulationServer
    from cornerrun.clock import StopFlag, SystemClock
    from cornerrun.plan.load import load_bench
    from cornerrun.run.signals import stop_on_signals

    bench_file = load_bench(bench_path)
    if bench_file.simulation is None:
        raise UsageError(f"{bench_path} names no simulation file; there is nothing to serve")
    stop = StopFlag()
    with stop_on_signals(stop):
        rates = {bus.name: bus.clock_hz for bus in bench_file.buses.values()}
        server = SimulationServer(
            bench_file.simulation, SystemClock(stop), clock_hz=rates, port_base=port_base, seed=seed, serial=serial
        )
        try:
            text = reaching_bench_text(bench_path, bench_file, server.addresses, server.others)
            if write_path is None:
                click.echo(text, nl=False)
            else:
                _write(write_path, text, bench_path)
            for name, (host, port) in server.addresses.items():
                click.echo(f"{'meter' if name is None else f'bus {name}'}: {host}:{port}", err=True)
            for name, (host, port) in server.others.items():
                click.echo(f"{name}: {host}:{port}", err=True)
            click.echo("Serving. Ctrl-C ends.", err=True)
            if stop.reason is None:
                select.select([stop.wake_fd], [], [])
        finally:
            server.close()


def reaching_bench_text(
    bench_path: Path,
    bench_file: "BenchFile",
    addresses: Mapping[str | None, tuple[str, int]],
    others: Mapping[str, tuple[str, int]] = MappingProxyType({}),
) -> str:
    """Rewrite a bench file so that its simulated links lead to TCP addresses; comments and all else stay.

    Raises:
        UsageError: a bus of the file is not in the simulation.

    """
    from ruamel.yaml import YAML

    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = 4096
    tree = yaml.load(bench_path.read_text(encoding="utf-8-sig"))
    for name, bus in bench_file.buses.items():
        if bus.link == _IN_PROCESS:
            if name not in addresses:
                known = ", ".join(key for key in addresses if key is not None) or "none"
                raise UsageError(f"{bench_path}: buses.{name}: the simulation has no such bus; it has {known}")
            host, port = addresses[name]
            tree["buses"][name]["link"] = f"tcp:{host}:{port}"
    if bench_file.meter is not None and bench_file.meter.resource == _IN_PROCESS:
        if None not in addresses:
            raise UsageError(f"{bench_path}: instruments.meter: the simulation file has no section 'meter'")
        host, port = addresses[None]
        tree["instruments"]["meter"]["resource"] = f"TCPIP::{host}::{port}::SOCKET"
    for name, instrument in bench_file.instruments.items():
        if instrument.simulated_as is not None:
            if instrument.simulated_as not in others:
                known = ", ".join(others) or "none"
                raise UsageError(
                    f"{bench_path}: instruments.{name}: the simulation file has no {instrument.simulated_as!r}; it has "
                    f"{known}"
                )
            host, port = others[instrument.simulated_as]
            tree["instruments"][name]["resource"] = f"TCPIP::{host}::{port}::SOCKET"
    if bench_file.console == _IN_PROCESS:
        if "console" not in others:
            raise UsageError(f"{bench_path}: console: the simulation file gives its board no console")
        host, port = others["console"]
        tree["console"] = f"TCPIP::{host}::{port}::SOCKET"
    if any(condition.driver == _IN_PROCESS for condition in bench_file.conditions.values()):
        # Conditions have no instrument of their own to be reached by: they stay with whoever runs the plan.
        tree["simulation"] = str(bench_file.simulation)
    else:
        del tree["simulation"]
    written = io.StringIO()
    yaml.dump(tree, written)
    return _HEAD + written.getvalue().removeprefix(_HEAD)


def _write(path: Path, text: str, bench_path: Path) -> None:
    """Write the bench file all at once, over an older one of ours but over nothing else."""
    try:
        if path.exists() and not path.read_text(encoding="utf-8", errors="replace").startswith(_HEAD):
            raise UsageError(f"{path} is there already, and not from this command; name another file")
        if path.exists() and path.samefile(bench_path):
            raise UsageError(f"{path} is the bench file that is read; name another file")
        beside = path.with_name(f".{path.name}.{os.getpid()}")
        beside.write_text(text, encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror or error}") from error
