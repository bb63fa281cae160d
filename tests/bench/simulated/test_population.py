import statistics
from typing import Any

import pytest

from cornerrun.bench.simulated.model import SimulationFile
from cornerrun.bench.simulated.population import individual, weaknesses
from cornerrun.errors import PlanProblems

SERIALS = [f"{number:05d}" for number in range(600)]


def model(population: dict[str, Any], **sections: Any) -> SimulationFile:
    return SimulationFile.model_validate(
        {
            "format": "1",
            "rails": [
                {"name": "A", "nominal": "1 V", "trim": {"gain_error": "0.1 %"}},
                {"name": "B", "nominal": "2 V", "load": "3 A"},
            ],
            "board": {
                "checks": {
                    "march": {
                        "thresholds": [
                            {"rail": "A", "below": "0.9 V", "spread": "2 mV"},
                            {"rail": "B", "above": "2.2 V", "spread": "2 mV"},
                        ]
                    }
                }
            },
            "population": population,
            **sections,
        }
    )


def gains(file: SimulationFile, rail: int = 0) -> list[float]:
    return [individual(file, serial).rails[rail].trim.gain_error for serial in SERIALS]


def test_without_a_population_every_unit_is_the_file() -> None:
    file = SimulationFile.model_validate({"format": "1", "rails": [{"name": "A", "nominal": "1 V"}]})
    assert individual(file, "00123") is file


def test_the_same_serial_number_is_the_same_board_whatever_the_seed_of_the_run() -> None:
    file = model({"every_rail": {"gain_error": "0.1 %"}, "thresholds": {"march": "4 mV"}})
    reseeded = file.model_copy(update={"seed": 99})
    for serial in ("00123", "1E5", "=1+1"):
        one, other = individual(file, serial), individual(reseeded, serial)
        assert (one.rails, one.board) == (other.rails, other.board)
    assert individual(file, "00123").rails != individual(file, "00124").rails


def test_another_lot_is_another_population() -> None:
    spread = {"every_rail": {"gain_error": "0.1 %"}}
    assert gains(model({**spread, "lot": "1"})) != gains(model({**spread, "lot": "2"}))


@pytest.mark.parametrize("distribution", ["normal", "uniform"])
def test_trim_errors_have_the_mean_and_the_spread_that_are_asked_for(distribution: str) -> None:
    found = gains(model({"distribution": distribution, "every_rail": {"gain_error": "0.05 %"}}))
    # Four standard errors of 600: of the mean 0.05 % / sqrt(600), of the standard deviation 1 / sqrt(1200).
    assert statistics.mean(found) == pytest.approx(0.001, abs=8.2e-5)
    assert statistics.stdev(found) == pytest.approx(0.0005, rel=0.116)


def test_a_uniform_distribution_ends_at_the_square_root_of_three_deviations() -> None:
    found = gains(model({"distribution": "uniform", "every_rail": {"gain_error": "0.05 %"}}))
    assert max(abs(gain - 0.001) for gain in found) <= 0.0005 * 3**0.5


def test_a_rail_may_differ_from_every_rail() -> None:
    file = model({"every_rail": {"gain_error": "0.05 %"}, "rails": {"B": {"offset_error": "1 mV"}}})
    assert set(gains(file, 1)) == {0.0}
    offsets = [individual(file, serial).rails[1].trim.offset_error for serial in SERIALS]
    assert statistics.stdev(offsets) == pytest.approx(1e-3, rel=0.116)


def test_rails_of_one_unit_are_drawn_each_for_itself() -> None:
    file = model({"every_rail": {"gain_error": "0.05 %", "adc_gain_error": "0.05 %"}})
    pairs = [individual(file, serial).rails for serial in SERIALS]
    rails = statistics.correlation([a.trim.gain_error for a, _ in pairs], [b.trim.gain_error for _, b in pairs])
    adcs = statistics.correlation([a.trim.gain_error for a, _ in pairs], [a.adc.gain_error for a, _ in pairs])
    # Four standard errors of a correlation of none in 600.
    assert abs(rails) < 0.164
    assert abs(adcs) < 0.164


def test_the_edges_of_a_check_move_inward_together() -> None:
    file = model({"thresholds": {"march": "4 mV"}})
    moves = []
    for serial in SERIALS:
        low, high = individual(file, serial).board.checks["march"].thresholds
        assert low.below is not None
        assert high.above is not None
        assert low.below - 0.9 == pytest.approx(2.2 - high.above, abs=1e-12)
        moves.append(low.below - 0.9)
    assert statistics.stdev(moves) == pytest.approx(4e-3, rel=0.116)


def test_weak_units_come_by_chance_and_by_serial_number() -> None:
    file = model({"weak": {"cold joint": {"share": "10 %"}, "returned": {"serials": ["00123"]}}})
    assert file.population is not None
    kinds = [weaknesses(file.population, serial) for serial in SERIALS]
    # Four standard errors of a share of 10 % in 600.
    assert sum("cold joint" in kind for kind in kinds) / 600 == pytest.approx(0.10, abs=0.049)
    assert [serial for serial, kind in zip(SERIALS, kinds, strict=True) if "returned" in kind] == ["00123"]


def test_a_weak_unit_has_what_is_wrong_with_it() -> None:
    file = model(
        {
            "weak": {
                "returned": {
                    "serials": ["00123"],
                    "rails": {"B": {"gain_error": "0.5 %", "offset_error": "2 mV", "load": "50 %"}},
                    "thresholds": {"march": "20 mV"},
                    "intermittent": {"march": "3 %"},
                }
            }
        }
    )
    weak, good = individual(file, "00123"), individual(file, "00124")
    assert weak.rails[1].trim.gain_error == pytest.approx(0.005)
    assert weak.rails[1].trim.offset_error == pytest.approx(0.002)
    assert weak.rails[1].load == pytest.approx(4.5)
    march = weak.board.checks["march"]
    assert march.thresholds[0].below == pytest.approx(0.92)
    assert march.thresholds[1].above == pytest.approx(2.18)
    assert march.intermittent is not None
    assert march.intermittent.rate == pytest.approx(0.03)
    assert good.rails == file.rails
    assert good.board.checks["march"].intermittent is None


FAULTS = {"resets": [{"device": "PM1", "at": "1 s", "only_on": "returned"}, {"device": "PM1", "at": "2 s"}]}


def test_what_is_planted_for_weak_units_happens_to_them_only() -> None:
    file = model({"weak": {"returned": {"serials": ["00123"]}}}, faults=FAULTS)
    assert [reset.at for reset in individual(file, "00123").faults.resets] == [1.0, 2.0]
    assert [reset.at for reset in individual(file, "00124").faults.resets] == [2.0]
    assert [reset.at for reset in individual(file, None).faults.resets] == [2.0]


def test_the_bench_has_the_unit_whose_serial_number_it_is_given(build: Any) -> None:
    text = build.board(population="{every_rail: {gain_error: 0.5 %}, rails: {VDD_AUX: {}}}")
    typical, _ = build(text)
    path = build._directory / "board.yaml"
    benches = [type(typical).load(path, typical._clock, serial=serial) for serial in ("00123", "00123", "00124", None)]
    volts = [bench.truth_v("VDD_CORE", bench.now) for bench in benches]
    assert volts[0] == volts[1]
    assert len({round(volt, 6) for volt in volts}) == 3
    assert volts[3] == typical.truth_v("VDD_CORE", typical.now)
    assert {bench.truth_v("VDD_AUX", bench.now) for bench in benches} == {typical.truth_v("VDD_AUX", typical.now)}


@pytest.mark.parametrize(
    ("population", "message"),
    [
        ("{rails: {VDD_COER: {}}}", "there is no rail 'VDD_COER'"),
        ("{thresholds: {march: 1 mV}}", "there is no check 'march'"),
        ("{weak: {bad: {serials: [a], rails: {X: {}}}}}", "there is no rail 'X'"),
        ("{weak: {bad: {}}}", "no unit is of this kind"),
    ],
)
def test_names_that_lead_nowhere_are_found(build: Any, population: str, message: str) -> None:
    with pytest.raises(PlanProblems, match=message):
        build(build.board(population=population))
