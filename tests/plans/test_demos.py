"""The demonstration plans hold together, and what is planted in them is where it says."""

import subprocess
from typing import Any

import pytest

from cornerrun.bench.scpi.meter import ScpiMeter
from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.bench.simulated.board import margins, pass_probability
from cornerrun.clock import ManualClock
from cornerrun.corners.model import Corner
from cornerrun.corners.select import select
from cornerrun.plan.load import load_units
from cornerrun.plan.model import Demonstrate
from cornerrun.run.check_environment import environment

SURE = 0.9999


def corners(demo: Any) -> dict[str, Corner]:
    return {corner.name: corner for corner in select(demo.plan).corners}


def troubled(demo: Any, check: str) -> dict[str, float]:
    """The corners at which a check does not surely pass, and the chance of one trial there."""
    chances = {
        name: pass_probability(demo.simulation.board, check, demo.view(corner, check))
        for name, corner in corners(demo).items()
    }
    return {name: chance for name, chance in chances.items() if chance < SURE}


def test_plan_bench_and_physics_name_the_same_things(demo: Any) -> None:
    plan, bench, simulation = demo.plan, demo.bench, demo.simulation
    names = [rail.name for rail in plan.rails]
    assert [rail.name for rail in simulation.rails] == names
    assert dict(bench.channels) == dict(simulation.channels)
    assert list(bench.channels) == names
    assert set(simulation.board.checks) == {check.name for check in plan.checks}
    assert {name: (device.bus, device.address) for name, device in plan.devices.items()} == {
        name: (manager.bus, manager.address) for name, manager in simulation.managers.items()
    }
    assert set(bench.buses) == {device.bus for device in plan.devices.values()}


def test_plan_and_physics_agree_on_each_rail(demo: Any) -> None:
    for rail, physics in zip(demo.plan.rails, demo.simulation.rails, strict=True):
        assert rail.nominal_v == physics.nominal
        pages = [(one.device, one.page) for one in (rail.power, physics.power) if one is not None]
        assert len(pages) in (0, 2), rail.name
        assert len(set(pages)) <= 1, rail.name
        assert (rail.tracks is None) == (physics.tracks is None)


def test_every_corner_stays_inside_the_hard_limits(demo: Any) -> None:
    limits = {rail.name: rail.hard_limits for rail in demo.plan.rails}
    for corner in corners(demo).values():
        for rail, voltage_v in demo.true_v(corner.by_rail()).items():
            assert limits[rail].min_v < voltage_v < limits[rail].max_v, (corner.name, rail)


def test_every_corner_that_is_asked_for_can_be_run_or_is_not_allowed_in_the_heat(demo: Any) -> None:
    reasons = {item.reason for item in select(demo.plan).not_runnable}
    assert reasons <= {"not allowed at ambient hot: VDD_PORT high"}


def test_every_rail_settles_inside_its_band_and_window(demo: Any) -> None:
    for corner in corners(demo).values():
        levels = corner.by_rail()
        true_v = demo.true_v(levels)
        for rail in demo.plan.rails:
            if rail.tracks is None:
                target_v = rail.levels[levels.get(rail.name, "nominal")]
                assert abs(true_v[rail.name] / target_v - 1) < min(
                    rail.settle.band_ratio, demo.plan.criteria.voltage_window_ratio
                )


def test_trials_are_enough_to_show_what_is_asked(demo: Any) -> None:
    criteria = demo.plan.criteria.checks
    for check in demo.plan.checks:
        wanted = check.criterion or criteria
        if isinstance(wanted, Demonstrate):
            # The success-run bound: all of n trials passed shows p at confidence C if p ** n <= 1 - C.
            assert wanted.pass_probability**check.trials <= 1 - wanted.confidence


def test_no_check_fails_at_nominal_or_where_one_rail_moves_alone(demo: Any) -> None:
    alone = [name for name, corner in corners(demo).items() if corner.scheme == "single_rail" or corner.is_nominal]
    assert len(alone) > 8 or demo.name == "four_corners", "whose corners all move several rails"
    for check in demo.simulation.board.checks:
        assert not set(troubled(demo, check)) & set(alone)


def test_the_quickstart_fails_at_one_pair_of_rails_and_there_probably(quickstart: Any) -> None:
    (name,) = troubled(quickstart, "memory march")
    assert name == "VDD_CORE low, VDDQ high"
    assert 0.3 < troubled(quickstart, "memory march")[name] < 0.7
    assert not troubled(quickstart, "sensor frames")
    assert not troubled(quickstart, "link errors")


def test_the_logger_fails_in_the_cold_only_at_a_pair_that_no_rail_alone_shows(four_corners: Any) -> None:
    found = troubled(four_corners, "record and read back")
    assert found
    places = {corner.name: corner for corner in select(four_corners.plan).corners}
    for name in found:
        levels = places[name].by_rail()
        assert {item.level for item in places[name].conditions if item.condition == "ambient"} == {"cold"}
        assert (levels["VDD_MCU"], levels["VDD_MEM"]) == ("low", "high")


def test_the_loggers_radio_has_less_room_in_the_cold_and_what_the_plan_accepts_there(four_corners: Any) -> None:
    radio = next(check for check in four_corners.plan.checks if check.name == "radio link")
    rooms = {
        corner: min(margins(four_corners.simulation.board, "radio link", four_corners.view(corner, "radio link")))
        for corner in select(four_corners.plan).corners
    }
    for corner, room in rooms.items():
        assert room > radio.accept_in(corner.condition_levels())["margin_mv"].min, corner.name
    tight = [corner for corner, room in rooms.items() if room < radio.accept["margin_mv"].min]
    assert tight
    assert {corner.condition_levels()["ambient"] for corner in tight} == {"cold"}


def test_the_large_board_fails_at_a_pair_that_heat_makes_worse(forty_rails: Any) -> None:
    found = troubled(forty_rails, "memory soak")
    assert all("VDD_CPU0 low, VDDQ_A high" in name for name in found)
    room = [chance for name, chance in found.items() if name.endswith("room")]
    hot = [chance for name, chance in found.items() if name.endswith("hot")]
    assert 0.7 < min(room) <= max(room) < 0.9
    assert 0.4 < min(hot) <= max(hot) < 0.7


def test_the_large_boards_radio_fails_at_a_named_corner_only(forty_rails: Any) -> None:
    found = troubled(forty_rails, "radio loopback")
    assert {name.partition(" @")[0] for name in found} == {"synthesiser starved"}
    assert all(0.1 < chance < 0.5 for chance in found.values())


@pytest.mark.parametrize(("name", "culprit"), [("quickstart", "VDD_IO"), ("forty_rails", "VSW_CORE")])
def test_one_rail_alone_is_trimmed_beyond_the_claim_and_its_telemetry_hides_it(
    request: pytest.FixtureRequest, name: str, culprit: str
) -> None:
    demo: Any = request.getfixturevalue(name)
    claim = demo.plan.criteria.trim_claim_ratio
    beyond = {rail.name for rail in demo.simulation.rails if abs(rail.trim.gain_error) > claim}
    assert beyond == {culprit}
    (physics,) = [rail for rail in demo.simulation.rails if rail.name == culprit]
    assert abs((1 + physics.trim.gain_error) * (1 + physics.adc.gain_error) - 1) < 0.1 * claim


def test_the_meters_true_errors_lie_inside_the_specification_that_the_bench_states(demo: Any) -> None:
    stated = demo.bench.meter.uncertainty
    true = demo.simulation.meter
    assert abs(true.gain_error) < stated.reading_ratio
    assert abs(true.offset) + 3 * true.channel_offset + 3 * true.noise < 10.0 * stated.range_ratio


def test_the_reference_meter_reads_every_rail_of_the_simulated_bench(demo: Any) -> None:
    clock = ManualClock()
    bench = SimulatedBench(demo.simulation, clock)
    link = bench.meter()
    assert link is not None
    meter = ScpiMeter(
        link=link, instrument=demo.bench.meter, channels=demo.bench.channels, rails=demo.plan.rails, clock=clock
    )
    meter.identify()
    meter.start(meter.rails)
    for reading in meter.fetch():
        truth_v = bench.truth_v(reading.rail, clock.now_s())
        stated = demo.bench.meter.uncertainty
        assert abs(reading.reading_v - truth_v) < stated.reading_ratio * truth_v + stated.range_ratio * reading.range_v
    meter.close()


def test_units_keep_their_serial_numbers_as_text(forty_rails: Any) -> None:
    units = load_units(forty_rails.plan.directory / "forty_rails_units.csv")
    assert list(units) == ["00123", "00124", "00131", "1E5"]


def link_errors(demo: Any, voltage_v: float, trial: int) -> "subprocess.CompletedProcess[str]":
    view = demo.view(corners(demo)["nominal"], "link errors", trial=trial)
    variables = {**environment(view), "CORNERRUN_VOLTS_VDD_IO": repr(voltage_v), "PATH": "/usr/bin:/bin"}
    (check,) = [check for check in demo.plan.checks if check.name == "link errors"]
    return subprocess.run(
        check.command, cwd=demo.plan.directory, env=variables, capture_output=True, text=True, timeout=10, check=False
    )


def numbers(done: "subprocess.CompletedProcess[str]") -> dict[str, float]:
    assert done.returncode == 0, done.stderr
    return {name: float(text) for name, _, text in (line.partition("=") for line in done.stdout.splitlines())}


def test_the_command_check_prints_named_numbers(quickstart: Any) -> None:
    assert numbers(link_errors(quickstart, 1.80, 0)) == {"errors": 0, "bits": 4e12}


def test_the_command_check_fails_below_its_edge_and_probably_at_it(quickstart: Any) -> None:
    assert all(numbers(link_errors(quickstart, 1.60, trial))["errors"] > 0 for trial in range(5))
    at_edge = [numbers(link_errors(quickstart, 1.640, trial))["errors"] > 0 for trial in range(40)]
    # Four standard errors of one half in forty trials.
    assert 0.5 - 0.32 < sum(at_edge) / 40 < 0.5 + 0.32
    assert at_edge == [numbers(link_errors(quickstart, 1.640, trial))["errors"] > 0 for trial in range(40)]


def test_the_command_check_says_what_it_lacks(quickstart: Any, tmp_path: Any) -> None:
    script = quickstart.plan.directory / "quickstart_link_errors.sh"
    (tmp_path / "quickstart_board.yaml").write_text("format: 1\n", encoding="utf-8")
    view = quickstart.view(corners(quickstart)["nominal"], "link errors")
    variables = {**environment(view), "CORNERRUN_DIRECTORY": str(tmp_path), "PATH": "/usr/bin:/bin"}
    done = subprocess.run([script], env=variables, capture_output=True, text=True, timeout=10, check=False)
    assert done.returncode != 0
    assert "no edge for VDD_IO" in done.stderr
