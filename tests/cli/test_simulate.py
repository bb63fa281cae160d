import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from cornerrun.bench.pmbus.tcp import TcpLink
from cornerrun.cli.simulate import command, reaching_bench_text
from cornerrun.errors import UsageError
from cornerrun.plan.load import load_bench

BOARD = """
format: 1
managers: {PM1: {bus: main, address: 0x40}}
rails: [{name: VDD, nominal: 1.2 V, power: {device: PM1, page: 0}}]
channels: {VDD: 101}
meter: {}
"""
BENCH = """\
format: 1
station: desk            # by the window
kind: simulated
buses:
  main: {link: simulated, clock: 400 kHz}
  real: {link: "tcp:192.0.2.1:5030"}
instruments:
  meter: {driver: scpi-meter, resource: simulated, line: 50 Hz}
channels: {VDD: 101}
simulation: board.yaml
"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    (tmp_path / "board.yaml").write_text(BOARD)
    path = tmp_path / "bench.yaml"
    path.write_text(BENCH)
    return path


ADDRESSES = {"main": ("127.0.0.1", 5030), None: ("127.0.0.1", 5031)}


def test_the_bench_file_written_reaches_the_ports_and_keeps_all_else(bench: Path, tmp_path: Path) -> None:
    text = reaching_bench_text(bench, load_bench(bench), ADDRESSES)
    assert "# by the window" in text
    path = tmp_path / "out.yaml"
    path.write_text(text)
    file = load_bench(path)
    assert file.buses["main"].link == "tcp:127.0.0.1:5030"
    assert file.buses["main"].clock_hz == 400e3
    assert file.buses["real"].link == "tcp:192.0.2.1:5030"
    assert file.meter is not None
    assert file.meter.resource == "TCPIP::127.0.0.1::5031::SOCKET"
    assert file.kind == "simulated"
    assert file.simulation is None


def test_conditions_keep_their_simulation_wherever_the_file_lies(bench: Path) -> None:
    bench.write_text(BENCH + "conditions: {ambient: {driver: simulated}}\n")
    text = reaching_bench_text(bench, load_bench(bench), ADDRESSES)
    assert f"simulation: {bench.parent.resolve() / 'board.yaml'}" in text


def test_a_bus_that_the_simulation_lacks_is_named(bench: Path) -> None:
    with pytest.raises(UsageError, match=r"buses\.main: the simulation has no such bus; it has other"):
        reaching_bench_text(bench, load_bench(bench), {"other": ("127.0.0.1", 1), None: ("127.0.0.1", 2)})


def test_a_meter_that_the_simulation_lacks_is_named(bench: Path) -> None:
    with pytest.raises(UsageError, match=r"instruments\.meter: the simulation file has no section 'meter'"):
        reaching_bench_text(bench, load_bench(bench), {"main": ("127.0.0.1", 1)})


def test_a_hardware_bench_is_nothing_to_simulate(bench: Path) -> None:
    bench.write_text("format: 1\nstation: lab\nkind: hardware\nbuses: {main: {link: 'i2c:x'}}\n")
    result = CliRunner().invoke(command, [str(bench)])
    assert isinstance(result.exception, UsageError)
    assert "nothing to serve" in str(result.exception)


def test_a_file_of_somebody_else_is_not_overwritten(bench: Path, tmp_path: Path) -> None:
    precious = tmp_path / "precious.yaml"
    precious.write_text("my: notes\n")
    for path in (precious, bench):
        before = path.read_text()
        result = CliRunner().invoke(command, [str(bench), "--write", str(path)])
        assert isinstance(result.exception, UsageError)
        assert "not from this command" in str(result.exception)
        assert path.read_text() == before


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_serves_until_a_signal_and_ends_well(bench: Path, tmp_path: Path, number: int) -> None:
    out = tmp_path / "out.yaml"
    process = subprocess.Popen(
        [sys.executable, "-c", _MAIN, str(bench), "--write", str(out)],
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )
    assert process.stderr is not None
    said = []
    for line in process.stderr:
        said.append(line)
        if "Serving" in line:
            break
    assert any(re.match(r"bus main: 127\.0\.0\.1:\d+", line) for line in said), said
    link = load_bench(out).buses["main"].link
    port = int(link.rpartition(":")[2])
    bus = TcpLink("127.0.0.1", port, pec=1)
    assert bytes(bus.read_block_data(0x40, 0x9A)) == b"PM8"
    process.send_signal(number)
    assert process.wait(10) == 0
    bus.close()
    process.stderr.close()


_MAIN = "from cornerrun.cli.main import main; import sys; main(['simulate', *sys.argv[1:]])"


def test_other_instruments_are_reached_by_the_ports_of_their_sections(tmp_path):
    for path in (Path(__file__).parents[2] / "plans").glob("supplied*"):
        shutil.copy(path, tmp_path)
    bench = tmp_path / "supplied_bench.yaml"
    others = {"FEED_A": ("127.0.0.1", 7001), "FEED_B": ("127.0.0.1", 7002)}
    text = reaching_bench_text(bench, load_bench(bench), {None: ("127.0.0.1", 7000)}, others)
    written = tmp_path / "written.yaml"
    written.write_text(text)
    reached = load_bench(written)
    assert reached.simulation is None
    assert {name: item.resource for name, item in reached.instruments.items()} == {
        "FEED_A": "TCPIP::127.0.0.1::7001::SOCKET",
        "FEED_B": "TCPIP::127.0.0.1::7002::SOCKET",
    }
    with pytest.raises(UsageError, match=r"instruments\.FEED_B: the simulation file has no 'FEED_B'; it has FEED_A"):
        reaching_bench_text(bench, load_bench(bench), {None: ("127.0.0.1", 7000)}, {"FEED_A": ("127.0.0.1", 1)})


def test_the_console_is_reached_by_its_port_too(tmp_path: Path) -> None:
    (tmp_path / "board.yaml").write_text(BOARD + "board: {boot: {time: 1 s}, console: {}}\n")
    bench = tmp_path / "bench.yaml"
    bench.write_text(BENCH + "console: simulated\n")
    text = reaching_bench_text(bench, load_bench(bench), ADDRESSES, {"console": ("127.0.0.1", 7001)})
    assert "console: TCPIP::127.0.0.1::7001::SOCKET" in text
    with pytest.raises(UsageError, match="console: the simulation file gives its board no console"):
        reaching_bench_text(bench, load_bench(bench), ADDRESSES)
