from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.pmbus.profile import Profile, load_profile
from cornerrun.corners.model import RailLevel
from cornerrun.errors import GuardRefusal
from cornerrun.plan.model import Relation

RAILS = ("R0", "R1", "R2")


def broadcasting(pages: int = 3) -> Profile:
    return replace(load_profile("generic", Path()), broadcast=True, pages=pages)


def all_to(level: str, rails: tuple[str, ...] = RAILS) -> list[RailLevel]:
    return [RailLevel(rail=rail, level=level) for rail in rails]


def broadcasts(setup: Any) -> int:
    return sum(entry == ("write_byte_data", 0x00, 0xFF) for entry in setup.emulator.log)


def levels(setup: Any) -> list[float]:
    return [setup.emulator.output_v(page) for page in range(3)]


def test_every_page_to_the_same_side_is_one_write(make: Any) -> None:
    setup = make(profile=broadcasting())
    setup.power.connect()
    setup.power.move(all_to("high"))
    assert broadcasts(setup) == 1
    assert levels(setup) == pytest.approx([0.8925, 1.26, 1.89], abs=1e-3)
    setup.power.move(all_to("nominal"))
    assert broadcasts(setup) == 2
    assert levels(setup) == pytest.approx([0.85, 1.2, 1.8], abs=1e-3)


@pytest.mark.parametrize(
    "burst",
    [
        all_to("high", ("R0", "R1")),
        [*all_to("high", ("R0", "R1")), RailLevel(rail="R2", level="low")],
        [*all_to("high", ("R0", "R1")), RailLevel(rail="R2", level="nominal")],
    ],
)
def test_anything_less_goes_page_by_page(make: Any, burst: list[RailLevel]) -> None:
    setup = make(profile=broadcasting())
    setup.power.connect()
    setup.power.move(burst)
    assert broadcasts(setup) == 0
    assert setup.emulator.output_v(0) == pytest.approx(0.8925, abs=1e-3)


def test_a_page_that_is_not_in_the_plan_forbids_it(make: Any) -> None:
    setup = make(profile=broadcasting(pages=4))
    setup.power.connect()
    setup.power.move(all_to("high"))
    assert broadcasts(setup) == 0


def test_the_generic_profile_forbids_it(setup: Any) -> None:
    setup.power.connect()
    setup.power.move(all_to("high"))
    assert broadcasts(setup) == 0


def test_pages_that_want_different_bytes_go_one_by_one(make: Any) -> None:
    setup = make(profile=broadcasting())
    setup.emulator.pages[1][0x01] = 0x81
    setup.power.connect()
    setup.power.move(all_to("high"))
    assert broadcasts(setup) == 0
    assert [page[0x01] for page in setup.emulator.pages] == [0xA8, 0xA9, 0xA8]


def test_the_guard_judges_every_page_of_a_broadcast(make: Any) -> None:
    apart = Relation(rail="R2", minus="R1", max_v=0.61)
    setup = make(profile=broadcasting(), relations=(apart,))
    setup.power.connect()
    with pytest.raises(GuardRefusal, match="R2 - R1"):
        setup.power.move(all_to("high"))
    assert broadcasts(setup) == 0
    assert levels(setup) == pytest.approx([0.85, 1.2, 1.8], abs=1e-3)
