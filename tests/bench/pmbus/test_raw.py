import errno

import pytest

from cornerrun.bench.pmbus.raw import RawLink


class Scripted(RawLink):
    """Answers from a list, and keeps what was asked."""

    def __init__(self, *answers: bytes, pec: int = 0) -> None:
        super().__init__(pec=pec)
        self.answers = list(answers)
        self.asked: list[tuple[int, bytes, int, bool]] = []

    def _transfer(self, address: int, written: bytes, read_count: int, is_block: bool) -> bytes:
        self.asked.append((address, written, read_count, is_block))
        return self.answers.pop(0)

    def close(self) -> None:
        return


# Address 0x40, computed with polynomial 0x07: OPERATION = 0xA8 has PEC 0x4F, READ_VOUT of 0x1234 has PEC 0x9F.
def test_a_write_ends_with_its_checksum() -> None:
    link = Scripted(b"", pec=1)
    link.write_byte_data(0x40, 0x01, 0xA8)
    assert link.asked == [(0x40, b"\x01\xa8\x4f", 0, False)]


def test_a_read_asks_for_the_checksum_and_checks_it() -> None:
    link = Scripted(b"\x34\x12\x9f", b"\x34\x12\x9e", pec=1)
    assert link.read_word_data(0x40, 0x8B) == 0x1234
    assert link.asked == [(0x40, b"\x8b", 3, False)]
    with pytest.raises(OSError, match="packet error code") as raised:
        link.read_word_data(0x40, 0x8B)
    assert raised.value.errno == errno.EBADMSG


def test_without_pec_nothing_is_added_and_nothing_is_asked_for() -> None:
    link = Scripted(b"", b"\x34\x12", b"\x07", b"")
    link.write_word_data(0x40, 0x21, 0x1234)
    assert link.read_word_data(0x40, 0x8B) == 0x1234
    assert link.read_byte(0x40) == 0x07
    link.write_byte(0x40, 0x03)
    assert link.asked == [
        (0x40, b"\x21\x34\x12", 0, False),
        (0x40, b"\x8b", 2, False),
        (0x40, b"", 1, False),
        (0x40, b"\x03", 0, False),
    ]


def test_blocks_go_out_and_come_in_with_their_count() -> None:
    link = Scripted(b"", b"\x02ab", b"\x01\xe0")
    link.write_block_data(0x40, 0xB0, b"xyz")
    assert link.read_block_data(0x40, 0x99) == [0x61, 0x62]
    assert link.block_process_call(0x40, 0x1A, [0x21]) == [0xE0]
    assert link.asked == [(0x40, b"\xb0\x03xyz", 0, False), (0x40, b"\x99", 0, True), (0x40, b"\x1a\x01\x21", 0, True)]


@pytest.mark.parametrize("answer", [b"", b"\x00", b"\x21" + b"a" * 33, b"\x03ab", b"\x02abc"])
def test_a_block_of_an_impossible_length_breaks_the_protocol(answer: bytes) -> None:
    with pytest.raises(OSError, match=r"block|bytes came back") as raised:
        Scripted(answer).read_block_data(0x40, 0x99)
    assert raised.value.errno == errno.EPROTO


def test_an_answer_that_is_cut_short_breaks_the_protocol() -> None:
    with pytest.raises(OSError, match="1 bytes came back where 2 were due"):
        Scripted(b"\x34").read_word_data(0x40, 0x8B)
