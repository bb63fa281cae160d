from typing import Any

import pytest

from cornerrun.bench.simulated.registers import Code

SECTION = (
    "{boot: {time: 3 s, needs: {VDDQ: 1.0 V}}, heating: {rise: 20 degC}, "
    "console: {banner: ['tide gauge 1.4', 'ready'], lost: [{rail: VDD_CORE, below: 0.82 V}], latency: 0 s}, "
    "checks: {march: {thresholds: [{rail: VDDQ, below: 1.1 V, spread: 1 mV}]}}}"
)


@pytest.fixture
def made(build: Any) -> Any:
    return build(build.board(board=SECTION))


def put(bench: Any, page: int, code: int, value: int) -> None:
    link = bench.link("main")
    link.write_byte_data(0x40, Code.PAGE, page)
    if code == Code.OPERATION:
        link.write_byte_data(0x40, code, value)
    else:
        link.write_word_data(0x40, code, value)


def test_there_is_none_unless_it_is_asked_for(build: Any) -> None:
    bench, _ = build()
    assert bench.console() is None


def test_it_says_its_banner_once_it_has_booted(made: Any) -> None:
    bench, clock = made
    console = bench.console()
    assert [console.read(1.0), console.read(1.0)] == ["tide gauge 1.4", "ready"]
    put(bench, 1, Code.OPERATION, 0x00)
    clock.sleep_until(clock.now_s() + 1.0)
    put(bench, 1, Code.OPERATION, 0x80)
    began_s = clock.now_s()
    with pytest.raises(TimeoutError):
        console.read(2.0)
    assert console.read(60.0) == "tide gauge 1.4"
    assert clock.now_s() - began_s == pytest.approx(3.0, abs=0.05)


def test_it_answers_a_few_words(made: Any) -> None:
    bench, _ = made
    console = bench.console()
    console.clear()
    for command, answer in (
        ("temperature", "45.00"),
        ("check march", "march: pass"),
        ("check walk", "? the simulated board knows no check 'walk'; it has 'march'"),
        ("dance", "? known are: status, temperature, check NAME, reboot"),
    ):
        console.write(command)
        assert console.read(1.0) == answer
    console.write("status")
    assert console.read(1.0).startswith("up for ")


def test_a_check_asked_for_there_meets_the_true_voltages(made: Any) -> None:
    bench, clock = made
    console = bench.console()
    console.clear()
    put(bench, 1, Code.VOUT_COMMAND, round(1.05 * 4096))
    clock.sleep_until(clock.now_s() + 1.0)
    console.write("check march")
    assert console.read(1.0) == "march: fail"


def test_where_it_is_lost_nobody_hears_and_nobody_is_heard(made: Any) -> None:
    bench, clock = made
    console = bench.console()
    console.clear()
    put(bench, 0, Code.VOUT_COMMAND, round(0.80 * 4096))
    clock.sleep_until(clock.now_s() + 1.0)
    console.write("status")
    with pytest.raises(TimeoutError):
        console.read(5.0)
    put(bench, 0, Code.VOUT_COMMAND, round(0.85 * 4096))
    clock.sleep_until(clock.now_s() + 1.0)
    with pytest.raises(TimeoutError):
        console.read(5.0)


def test_it_can_be_rebooted(made: Any) -> None:
    bench, _ = made
    console = bench.console()
    console.clear()
    console.write("reboot")
    assert bench.board.state(bench.now) == "booting"
    assert console.read(10.0) == "tide gauge 1.4"
