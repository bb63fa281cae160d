import math

import pytest

from cornerrun.stats.meter import MeterSpecification, specification_for_age

DAY_S = 86400.0


def test_share_of_reading_and_of_range_add_up():
    # 5 V on the 10 V range, 1 year, 0.0020 % of reading + 0.0005 % of range: 150 uV, 30 ppm of reading
    # (service guide of a six-and-a-half digit meter, page on accuracy calculations).
    specification = MeterSpecification(reading_ratio=20e-6, range_ratio=5e-6)
    assert specification.limit(5.0, 10.0) == pytest.approx(150e-6, rel=1e-12)
    assert specification.limit(5.0, 10.0) / 5.0 == pytest.approx(30e-6, rel=1e-12)
    assert specification.limit(-5.0, 10.0) == specification.limit(5.0, 10.0)


@pytest.mark.parametrize(
    ("reading_ppm", "range_ppm", "range_v", "limit_uv", "standard_uv"), [(40, 7, 1, 47, 27), (35, 5, 10, 85, 49)]
)
def test_limits_without_probability_are_rectangular(reading_ppm, range_ppm, range_v, limit_uv, standard_uv):
    # Job notes, computed: 1.000 V.
    specification = MeterSpecification(reading_ratio=reading_ppm * 1e-6, range_ratio=range_ppm * 1e-6)
    component = specification.component(1.0, range_v)
    assert specification.limit(1.0, range_v) * 1e6 == pytest.approx(limit_uv, abs=0.5)
    assert component.standard_uncertainty * 1e6 == pytest.approx(standard_uv, abs=0.5)
    assert component.degrees_of_freedom == math.inf


def test_a_stated_coverage_factor_is_divided_out():
    specification = MeterSpecification(reading_ratio=35e-6, range_ratio=0.0, coverage=2)
    assert specification.component(2.0, 10.0).standard_uncertainty == pytest.approx(35e-6)


def test_temperature_counts_only_outside_the_span_of_calibration():
    specification = MeterSpecification(
        reading_ratio=20e-6, range_ratio=5e-6, reading_ratio_per_k=5e-6, range_ratio_per_k=1e-6
    )
    inside = specification.limit(1.0, 10.0, temperature_degc=18.0)
    assert inside == specification.limit(1.0, 10.0) == specification.limit(1.0, 10.0, temperature_degc=28.0)
    assert specification.limit(1.0, 10.0, temperature_degc=38.0) == pytest.approx(inside + 10 * 5e-6 + 10 * 1e-6 * 10)
    assert specification.limit(1.0, 10.0, temperature_degc=8.0) == pytest.approx(inside + 10 * 15e-6)


def test_the_shortest_time_that_still_holds_is_chosen():
    day = MeterSpecification(reading_ratio=10e-6, range_ratio=0, valid_for_s=DAY_S)
    year = MeterSpecification(reading_ratio=35e-6, range_ratio=0, valid_for_s=365 * DAY_S)
    assert specification_for_age([year, day], 3600) is day
    assert specification_for_age([year, day], 30 * DAY_S) is year
    with pytest.raises(ValueError, match="400 days after calibration: calibrate"):
        specification_for_age([year, day], 400 * DAY_S)


@pytest.mark.parametrize("wrong", [{"reading_ratio": -1e-6}, {"range_ratio": math.inf}, {"coverage": 0.0}])
def test_refuses_what_is_no_specification(wrong):
    with pytest.raises(ValueError, match=r"share|coverage"):
        MeterSpecification(**{"reading_ratio": 1e-6, "range_ratio": 1e-6, **wrong})
