import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.pmbus.frames import (
    REPLY_HEAD_LENGTH,
    REQUEST_HEAD_LENGTH,
    encode_group,
    encode_reply,
    encode_request,
    group_writes,
    reply_head,
    request_head,
)


@given(st.integers(0, 0x7F), st.binary(max_size=0x102), st.integers(0, 0x101), st.booleans())
def test_a_request_comes_back_as_it_was_sent(address: int, written: bytes, read_count: int, is_block: bool) -> None:
    frame = encode_request(address, written, read_count, is_block)
    request = request_head(frame[:REQUEST_HEAD_LENGTH])
    assert (request.address, request.is_block, request.read_count) == (address, is_block, read_count)
    assert frame[REQUEST_HEAD_LENGTH:] == written
    assert request.written_length == len(written)
    assert request.is_valid


@given(st.integers(0, 0xFFFF), st.binary(max_size=300))
def test_a_reply_comes_back_as_it_was_sent(number: int, read: bytes) -> None:
    frame = encode_reply(number, read)
    assert reply_head(frame[:REPLY_HEAD_LENGTH]) == (number, len(read))
    assert frame[REPLY_HEAD_LENGTH:] == read


def test_a_word_read_looks_on_the_connection_as_documented() -> None:
    assert encode_request(0x40, b"\x8b", 3, False) == bytes.fromhex("40 00 0003 0001 8b")
    assert encode_request(0x40, b"\x99", 1, True) == bytes.fromhex("40 01 0001 0001 99")
    assert encode_reply(6, b"") == bytes.fromhex("0006 0000")


def test_text_is_no_request() -> None:
    assert not request_head(b"*IDN?\n").is_valid


@given(st.lists(st.tuples(st.integers(0, 0x7F), st.binary(max_size=40)), min_size=1, max_size=0x80))
def test_a_group_comes_back_as_it_was_sent(writes: list[tuple[int, bytes]]) -> None:
    frame = encode_group(writes)
    request = request_head(frame[:REQUEST_HEAD_LENGTH])
    assert request.is_group
    assert request.is_valid
    assert request.written_length == len(frame) - REQUEST_HEAD_LENGTH
    assert group_writes(frame[REQUEST_HEAD_LENGTH:], request.read_count) == tuple(writes)


def test_a_group_looks_on_the_connection_as_documented() -> None:
    frame = encode_group([(0x40, b"\x01\xa8"), (0x41, b"\x01\x98")])
    assert frame == bytes.fromhex("ff 02 0002 000a  40 0002 01a8  41 0002 0198")


@pytest.mark.parametrize("body", ["", "40", "40 0002 01", "40 0001 01 00", "80 0001 01", "40 0001 01 41 0001"])
def test_what_is_no_whole_group_is_refused(body: str) -> None:
    with pytest.raises(ValueError, match="group command"):
        group_writes(bytes.fromhex(body), 1)


def test_a_server_that_knows_no_groups_takes_one_for_nonsense() -> None:
    # As is_valid was before there were groups: the address decides, and the connection is closed.
    assert not request_head(bytes.fromhex("ff 00 0002 000a")).is_valid
