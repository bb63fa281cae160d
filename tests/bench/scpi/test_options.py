from collections.abc import Callable

import pytest

from cornerrun.bench.scpi.options import meter_options, ranges_of
from cornerrun.errors import PlanError
from cornerrun.plan.bench_file import Instrument
from cornerrun.plan.model import Rail

Make = Callable[..., Instrument]
MakeRail = Callable[..., Rail]


def test_reads_every_setting(instrument: Make) -> None:
    options = meter_options(
        instrument(
            settings={"rail": "VDDQ", "ranges": "20 V, 200 mV, 2 V", "set_up": "A ON | B 2", "aperture": "fixed"}
        )
    )
    assert options.rail == "VDDQ"
    assert options.ranges_v == (0.2, 2.0, 20.0)
    assert options.set_up == ("A ON", "B 2")
    assert options.has_fixed_aperture


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"rnges": "1 V"}, "unknown key 'rnges'; did you mean 'ranges'"),
        ({"colour": "red"}, "unknown key 'colour'; known are rail"),
        ({"ranges": "1, 10"}, "'1' has no unit"),
        ({"ranges": "1 V, -10 V"}, "a range is positive"),
        ({"ranges": ""}, "is no quantity"),
        ({"aperture": "short"}, "write 'fixed'"),
    ],
)
def test_says_what_is_wrong_with_a_setting(instrument: Make, settings: dict[str, str], message: str) -> None:
    with pytest.raises(PlanError, match=message):
        meter_options(instrument(settings=settings))


def test_chooses_the_smallest_range_that_holds_the_hard_limits(instrument: Make, rail: MakeRail) -> None:
    rails = [rail("A", 0.85, most_v=0.92), rail("B", 0.95, most_v=1.05), rail("C", 12.0)]
    assert ranges_of(instrument(), (0.1, 1.0, 10.0, 100.0), rails) == {"A": 1.0, "B": 10.0, "C": 100.0}


def test_the_bench_files_range_is_for_every_rail(instrument: Make, rail: MakeRail) -> None:
    assert ranges_of(instrument(range_v=10.0), (0.1, 1.0), [rail("A", 0.85)]) == {"A": 10.0}


def test_refuses_a_range_that_a_rail_may_leave(instrument: Make, rail: MakeRail) -> None:
    with pytest.raises(PlanError, match=r"rail A may show 1.29 V, beyond the range of 1 V"):
        ranges_of(instrument(range_v=1.0), (10.0,), [rail("A", 1.2, most_v=1.29)])
