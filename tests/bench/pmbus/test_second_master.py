"""PAGE as hidden state: another master, or a reset, changes it between any two messages."""

import errno
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from cornerrun.corners.model import RailLevel
from cornerrun.errors import BenchError, LinkError, ReadbackMismatch

RAILS = ("R0", "R1", "R2")
RELAXED = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


class SecondMaster:
    """Writes PAGE before the messages whose numbers it was given, counted from now; at most one a group of four.

    Two changes within one group could put PAGE back before it is looked at again: that can't be seen by anybody.
    """

    def __init__(self, emulator: Any, flips: dict[int, int], *, spare: Callable[[str, int], bool]) -> None:
        self.emulator = emulator
        self.flips = flips
        self.spare = spare
        self.count = 0
        self.done = 0

    def __call__(self, method: str, command: int) -> None:
        page = self.flips.get(self.count)
        self.count += 1
        if page is not None and not self.spare(method, command):
            self.done += 1
            self.emulator.page = page


FLIPS = st.dictionaries(st.integers(0, 60).map(lambda group: group * 12), st.integers(0, 2), max_size=8)


@RELAXED
@given(flips=FLIPS, shift=st.integers(0, 11), order=st.permutations(RAILS), rounds=st.integers(1, 12))
def test_no_reading_ever_belongs_to_another_rail(
    make: Any, flips: dict[int, int], shift: int, order: list[str], rounds: int
) -> None:
    setup = make()
    setup.power.connect()
    flips = {number + shift: page for number, page in flips.items()}
    setup.emulator.before = SecondMaster(setup.emulator, flips, spare=lambda *_: False)
    for _ in range(rounds):
        for reading in setup.power.read(order):
            page = int(reading.rail[1:])
            assert reading.voltage_v == pytest.approx(setup.emulator.output_v(page), abs=1e-3)


@RELAXED
@given(flips=FLIPS, shift=st.integers(0, 11), data=st.data())
def test_no_write_ever_reaches_another_rail(make: Any, flips: dict[int, int], shift: int, data: st.DataObject) -> None:
    setup = make()
    setup.power.connect()
    # What no plain message can prevent is left out here: PAGE changing in the gap before the very write. See below.
    writes = {"write_word_data"}
    master = SecondMaster(
        setup.emulator,
        {number + shift: page for number, page in flips.items()},
        spare=lambda method, command: method in writes or (method == "write_byte_data" and command != 0x00),
    )
    setup.emulator.before = master
    asked = dict.fromkeys(RAILS, "nominal")
    for _ in range(data.draw(st.integers(1, 8))):
        burst = {rail: data.draw(st.sampled_from(["nominal", "high", "low", "low3"])) for rail in RAILS[:2]}
        setup.power.move([RailLevel(rail=rail, level=level) for rail, level in burst.items()])
        asked |= burst
        for page, rail in enumerate(RAILS):
            wanted_v = setup.plan.rail(rail).levels[asked[rail]]
            assert setup.emulator.output_v(page) == pytest.approx(wanted_v, abs=2e-3 * wanted_v)
    assert {page for page, _ in setup.emulator.selected} <= {0, 1}


@RELAXED
@given(gap=st.integers(0, 200), page=st.integers(0, 2), level=st.sampled_from(["high", "low", "low3"]))
@example(gap=38, page=0, level="low3")  # the margin word of one rail goes to another that stands at that margin
def test_a_write_that_goes_astray_is_found_and_never_leads_beyond_a_hard_limit(
    make: Any, gap: int, page: int, level: str
) -> None:
    setup = make()
    setup.power.connect()
    setup.power.move([RailLevel(rail="R2", level="high")])  # whatever is programmed at the first move is programmed
    setup.power.move([RailLevel(rail="R2", level="nominal")])
    master = SecondMaster(setup.emulator, {gap: page}, spare=lambda *_: False)
    setup.emulator.before = master
    strays: list[tuple[int, float]] = []
    try:
        for rail in ("R0", "R1"):
            setup.emulator.selected.clear()
            setup.power.move([RailLevel(rail=rail, level=level)])
            strays += [(p, v) for p, v in setup.emulator.selected if p != int(rail[1:])]
    except ReadbackMismatch as error:
        assert "PAGE changed" in str(error) or "under us" in str(error)  # noqa: PT017  # both ends are right here
        # Whoever was taken along has been brought home at once.
        assert all(setup.emulator.pages[p][0x01] == 0x80 for p, _ in strays)
    else:
        assert not strays
    for number, rail in enumerate(RAILS):
        limits = setup.plan.rail(rail).hard_limits
        assert limits.min_v <= setup.emulator.output_v(number) <= limits.max_v
    setup.emulator.before = lambda method, command: None
    setup.power.to_nominal()
    for number, rail in enumerate(RAILS):
        assert setup.emulator.output_v(number) == pytest.approx(setup.plan.rail(rail).nominal_v, abs=1e-3)


def test_a_page_that_never_stays_ends_in_an_error_that_names_it(setup: Any) -> None:
    setup.power.connect()

    def always(method: str, command: int) -> None:
        setup.emulator.page = 2 if (method, command) != ("write_byte_data", 0x00) else setup.emulator.page

    setup.emulator.before = always
    with pytest.raises(LinkError, match=r"PM1 \(0x40\): PAGE reads 0x02 where 0x00 was written; another master"):
        setup.power.read(["R0"])
    assert setup.link.counts["page lost"] == 5
    assert setup.link.counts["retries"] == 4


@pytest.mark.parametrize(
    ("register", "name"),
    [(0x01, "OPERATION"), (0x22, "VOUT_TRIM"), (0x25, "VOUT_MARGIN_HIGH")],
)
def test_what_another_master_wrote_is_noticed_before_a_select(setup: Any, register: int, name: str) -> None:
    setup.power.connect()
    setup.power.move([RailLevel(rail="R0", level="high")])
    setup.power.move([RailLevel(rail="R0", level="nominal")])
    setup.emulator.pages[0][register] = 0x98 if register == 0x01 else setup.emulator.pages[0][register] + 40
    before = list(setup.emulator.selected)
    with pytest.raises(ReadbackMismatch, match=rf"R0 \(PM1 page 0\): {name} changed from .* under us"):
        setup.power.move([RailLevel(rail="R0", level="high")])
    assert setup.emulator.selected == before


def test_margin_words_that_a_reset_reloaded_are_programmed_again_after_the_refusal(setup: Any) -> None:
    setup.power.connect()
    setup.power.move([RailLevel(rail="R0", level="high")])
    setup.power.move([RailLevel(rail="R0", level="nominal")])
    setup.emulator.pages[0][0x25] = 0x1000  # 1.0 V: far beyond R0's hard limits
    with pytest.raises(ReadbackMismatch, match="VOUT_MARGIN_HIGH changed"):
        setup.power.move([RailLevel(rail="R0", level="high")])
    setup.power.move([RailLevel(rail="R0", level="high")])
    assert setup.emulator.output_v(0) == pytest.approx(0.8925, abs=1e-3)


@RELAXED
@given(
    faults=st.dictionaries(
        st.integers(0, 400), st.sampled_from([errno.ENXIO, errno.EBADMSG, errno.EAGAIN]), max_size=12
    )
)
def test_faults_on_the_bus_never_yield_a_wrong_reading_or_an_unjudged_voltage(
    make: Any, faults: dict[int, int]
) -> None:
    setup = make()
    setup.power.connect()
    count = 0

    def fail(method: str, command: int) -> None:
        nonlocal count
        number = faults.get(count)
        count += 1
        if number is not None:
            raise OSError(number, "planted")

    setup.emulator.before = fail
    for level in ("high", "low3", "low", "nominal"):
        try:
            setup.power.move([RailLevel(rail=rail, level=level) for rail in RAILS])
            for reading in setup.power.read(RAILS):
                assert reading.voltage_v == pytest.approx(setup.emulator.output_v(int(reading.rail[1:])), abs=1e-3)
        except BenchError:
            continue
        finally:
            for page, volts in setup.emulator.selected:
                limits = setup.plan.rail(f"R{page}").hard_limits
                assert limits.min_v <= volts <= limits.max_v
    setup.emulator.before = lambda method, command: None
    setup.power.to_nominal()
    for number, rail in enumerate(RAILS):
        assert setup.emulator.output_v(number) == pytest.approx(setup.plan.rail(rail).nominal_v, abs=1e-3)
