import errno

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cornerrun.bench.simulated.bus import SimulatedLink
from cornerrun.bench.simulated.registers import BY_CODE, Code

A = 0x40
codes = st.one_of(st.sampled_from(sorted(BY_CODE)), st.integers(0, 0xFF))
octets = st.integers(0, 0xFF)
actions = st.one_of(
    st.tuples(st.just("read_byte_data"), codes),
    st.tuples(st.just("read_word_data"), codes),
    st.tuples(st.just("read_block_data"), codes),
    st.tuples(st.just("write_byte"), codes),
    st.tuples(st.just("write_byte_data"), codes, octets),
    st.tuples(st.just("write_byte_data"), st.just(Code.PAGE), st.integers(0, 4)),
    st.tuples(st.just("write_byte_data"), st.just(Code.OPERATION), st.sampled_from([0x00, 0x80, 0x98, 0xA8])),
    st.tuples(st.just("write_word_data"), codes, st.integers(0, 0xFFFF)),
    st.tuples(st.just("block_process_call"), codes, st.lists(octets, min_size=1, max_size=3)),
    st.tuples(st.just("wait"), st.floats(0.0, 0.1)),
)


def outcome(link, clock, action: tuple) -> object:
    name, *arguments = action
    if name == "wait":
        clock.sleep_until(clock.now_s() + arguments[0])
        return None
    try:
        return getattr(link, name)(A, *arguments)
    except OSError as error:
        return error.errno


class LongWay(SimulatedLink):
    """A link that takes no short cut."""

    def __init__(self, bus, *, clock_hz: float, pec: int) -> None:
        super().__init__(bus, clock_hz=clock_hz, pec=pec)
        self._is_plain = False


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(actions, max_size=40), st.integers(0, 1), st.sampled_from(["optional", "required", "none"]))
def test_short_cuts_answer_as_the_bytes_do_and_take_as_long(build, wanted: list, pec: int, kind: str) -> None:
    text = build.board().replace("address: 0x40,", f"address: 0x40, pec: {kind},")
    short, short_clock = build(text)
    long, long_clock = build(text)
    short_link = short.link("main", clock_hz=400e3, pec=bool(pec))
    long_link = LongWay(long.buses["main"], clock_hz=400e3, pec=pec)
    for action in wanted:
        assert outcome(short_link, short_clock, action) == outcome(long_link, long_clock, action), action
        # A float's sum of the same charges in the same order, but for blocks that are charged in two parts.
        assert short_clock.now_s() == pytest.approx(long_clock.now_s(), rel=1e-9)
    for rail in ("VDD_CORE", "VDDQ", "VTT"):
        at_s = short_clock.now_s()
        assert short.truth_v(rail, at_s) == pytest.approx(long.truth_v(rail, at_s), abs=1e-9)


@pytest.mark.parametrize(("pec", "bits"), [(0, 48), (1, 57)])
def test_wire_time_is_charged_by_bits_and_bus_clock(build, pec: int, bits: int) -> None:
    bench, clock = build()
    link = bench.link("main", clock_hz=400e3, pec=bool(pec))
    link.read_word_data(A, Code.READ_VOUT)
    assert clock.now_s() == pytest.approx(bits / 400e3)


def test_a_block_is_charged_by_its_length(build) -> None:
    bench, clock = build()
    bench.link("main", clock_hz=100e3).read_block_data(A, Code.MFR_SERIAL)
    assert clock.now_s() == pytest.approx((39 + 9 * 5) / 100e3)


def test_two_links_to_a_bus_are_two_masters_of_one_device(build) -> None:
    bench, _ = build()
    one, other = bench.link("main"), bench.link("main")
    one.write_byte_data(A, Code.PAGE, 1)
    other.write_byte_data(A, Code.PAGE, 2)
    assert one.read_byte_data(A, Code.PAGE) == 2


def test_a_block_that_smbus_does_not_allow_is_not_sent(build) -> None:
    bench, clock = build()
    link = bench.link("main")
    for data in ([], [0] * 33):
        with pytest.raises(OSError, match="1 to 32") as raised:
            link.write_block_data(A, Code.MFR_MODEL, data)
        assert raised.value.errno == errno.EINVAL
    assert clock.now_s() == 0.0


def test_nothing_is_on_a_bus_that_the_simulation_does_not_have(build) -> None:
    bench, _ = build()
    with pytest.raises(Exception, match="no bus 'aux'; it has main"):
        bench.link("aux")
