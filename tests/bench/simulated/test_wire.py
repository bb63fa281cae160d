import pytest

from cornerrun.bench.simulated.manager import NotAcknowledged
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.wire import exchange, wire_bits


# Start and stop conditions one bit each, nine a byte, counted by hand: computed, no published table at hand.
@pytest.mark.parametrize(
    ("what", "written", "read", "bits"),
    [
        ("send byte", 1, 0, 20),
        ("receive byte", 0, 1, 20),
        ("write byte", 2, 0, 29),
        ("write byte with PEC", 3, 0, 38),
        ("write word", 3, 0, 38),
        ("write word with PEC", 4, 0, 47),
        ("read byte", 1, 1, 39),
        ("read word", 1, 2, 48),
        ("read word with PEC", 1, 3, 57),
        ("process call, word for word", 3, 2, 66),
        ("QUERY", 3, 2, 66),
        ("COEFFICIENTS", 4, 6, 111),
        ("block read of 32 with PEC", 1, 34, 39 + 9 * 32 + 9),
    ],
)
def test_a_message_has_as_many_bits_as_it_takes_on_the_wire(what: str, written: int, read: int, bits: int) -> None:
    assert wire_bits(written, read) == bits, what


# PEC of OPERATION = 0x80 and 0xA8 to address 0x40: computed with polynomial 0x07, no published figure for these bytes.
@pytest.mark.parametrize(("operation", "checksum"), [(0x80, 0x97), (0xA8, 0x4F)])
def test_a_write_with_the_right_checksum_is_taken(build, operation: int, checksum: int) -> None:
    bench, _ = build()
    device = bench.managers["PM1"]
    assert exchange(device, bytes((0x01, operation, checksum)), 0, False, 0.0) == b""
    assert exchange(device, b"\x01", 1, False, 0.0) == bytes((operation,))


def test_a_write_with_a_wrong_checksum_is_refused_and_noted(build) -> None:
    bench, _ = build()
    device = bench.managers["PM1"]
    with pytest.raises(NotAcknowledged):
        exchange(device, bytes((0x01, 0xA8, 0x4E)), 0, False, 0.0)
    assert exchange(device, b"\x01", 1, False, 0.0) == b"\x80"
    assert exchange(device, bytes((Code.STATUS_CML,)), 1, False, 0.0) == b"\x20"  # PEC failed (Linux pmbus.h)


def test_a_send_byte_may_carry_a_checksum(build) -> None:
    bench, _ = build()
    device = bench.managers["PM1"]
    device.note(0x80)
    good = exchange_checksum((0x80, 0x03))
    assert exchange(device, bytes((0x03, good)), 0, False, 0.0) == b""
    assert exchange(device, bytes((Code.STATUS_CML,)), 1, False, 0.0) == b"\x00"
    with pytest.raises(NotAcknowledged):
        exchange(device, bytes((0x03, good ^ 1)), 0, False, 0.0)


def exchange_checksum(octets: tuple[int, ...]) -> int:
    """CRC-8 bit by bit: another way than the product's table."""
    crc = 0
    for octet in octets:
        for bit in range(7, -1, -1):
            top = (crc >> 7) ^ (octet >> bit & 1)
            crc = (crc << 1 & 0xFF) ^ (0x07 if top else 0)
    return crc


def test_a_read_carries_its_checksum_if_the_master_clocks_one_byte_more(build) -> None:
    bench, _ = build()
    device = bench.managers["PM1"]
    answer = exchange(device, bytes((Code.VOUT_COMMAND,)), 3, False, 0.0)
    assert answer[2] == exchange_checksum((0x80, Code.VOUT_COMMAND, 0x81, answer[0], answer[1]))


def test_the_published_vector_of_a_word_read_is_what_the_checksum_gives() -> None:
    # [80 8B 81 34 12] -> 0x9F, and "123456789" -> 0xF4, the check value of CRC-8 (polynomial 0x07, catalogue of CRCs).
    assert exchange_checksum((0x80, 0x8B, 0x81, 0x34, 0x12)) == 0x9F
    assert exchange_checksum(tuple(b"123456789")) == 0xF4


def test_a_master_that_clocks_too_long_reads_ones(build) -> None:
    bench, _ = build()
    answer = exchange(bench.managers["PM1"], bytes((Code.VOUT_MODE,)), 5, False, 0.0)
    assert answer[0] == 0x14
    assert answer[2:] == b"\xff\xff\xff"


def test_a_block_comes_with_its_count(build) -> None:
    bench, _ = build()
    answer = exchange(bench.managers["PM1"], bytes((Code.MFR_MODEL,)), 1, True, 0.0)
    assert answer[:4] == b"\x03PM8"
    assert len(answer) == 5


@pytest.mark.parametrize("written", [b"\x21\x34", b"\x01", b"\x21"])
def test_a_message_that_stops_too_early_changes_nothing_and_is_noted(build, written: bytes) -> None:
    bench, _ = build()
    device = bench.managers["PM1"]
    before = exchange(device, b"\x21", 2, False, 0.0)
    assert exchange(device, written, 0, False, 0.0) == b""
    assert exchange(device, b"\x21", 2, False, 0.0) == before
    assert exchange(device, bytes((Code.STATUS_CML,)), 1, False, 0.0) == b"\x02"


@pytest.mark.parametrize("written", [b"\x01\x80\x97\x00", b"\x21\x34\x12\x00\x00", b"\x00\x00\x00\x00"])
def test_a_message_that_is_too_long_is_refused(build, written: bytes) -> None:
    bench, _ = build()
    with pytest.raises(NotAcknowledged):
        exchange(bench.managers["PM1"], written, 0, False, 0.0)


def test_an_empty_message_and_a_receive_byte_are_answered_by_any_device(build) -> None:
    bench, _ = build()
    assert exchange(bench.managers["PM1"], b"", 0, False, 0.0) == b""
    assert exchange(bench.managers["PM1"], b"", 1, False, 0.0) == b"\xff"


def test_a_device_that_requires_a_checksum_refuses_a_write_without(build) -> None:
    bench, _ = build(build.board().replace("address: 0x40,", "address: 0x40, pec: required,"))
    device = bench.managers["PM1"]
    with pytest.raises(NotAcknowledged):
        exchange(device, b"\x01\xa8", 0, False, 0.0)
    exchange(device, b"\x01\xa8\x4f", 0, False, 0.0)
    assert exchange(device, b"\x01", 1, False, 0.0) == b"\xa8", "a read without is no harm"


def test_a_device_that_knows_no_checksum_takes_it_for_a_byte_too_many(build) -> None:
    bench, _ = build(build.board().replace("address: 0x40,", "address: 0x40, pec: none,"))
    device = bench.managers["PM1"]
    assert exchange(device, bytes((Code.CAPABILITY,)), 1, False, 0.0) == b"\x30"
    with pytest.raises(NotAcknowledged):
        exchange(device, b"\x01\xa8\x4f", 0, False, 0.0)
    exchange(device, b"\x01\xa8", 0, False, 0.0)
    assert exchange(device, b"\x01", 2, False, 0.0) == b"\xa8\xff"


def test_where_the_checksum_is_optional_one_turned_bit_can_make_it_into_data(build) -> None:
    # OPERATION = 0xA8 with its PEC 0x4F, bit 5 of the command turned: VOUT_COMMAND = 0x4FA8, no code at all.
    turned = b"\x21\xa8\x4f"
    bench, _ = build()
    exchange(bench.managers["PM1"], turned, 0, False, 0.0)
    assert exchange(bench.managers["PM1"], b"\x21", 2, False, 0.0) == b"\xa8\x4f"
    bench, _ = build(build.board().replace("address: 0x40,", "address: 0x40, pec: required,"))
    with pytest.raises(NotAcknowledged):
        exchange(bench.managers["PM1"], turned, 0, False, 0.0)
