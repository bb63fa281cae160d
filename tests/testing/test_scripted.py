import pytest

from cornerrun.testing.scripted import BusExchange, ScriptedText, scripted_link, scripted_text


def test_plays_text_in_order() -> None:
    with scripted_text(("*RST", None), ("*IDN?", "A,B,C,D")) as link:
        link.write("*RST")
        link.write("*IDN?")
        assert link.read(1.0) == "A,B,C,D"


def test_text_that_differs_names_both() -> None:
    with pytest.raises(AssertionError, match=r"'\*CLS' was sent where the script says '\*RST'"):
        ScriptedText([("*RST", None)]).write("*CLS")


def test_text_after_the_end_fails() -> None:
    with pytest.raises(AssertionError, match="after the end"):
        ScriptedText([]).write("*CLS")


def test_an_answer_that_nobody_read_fails_the_next_message() -> None:
    link = ScriptedText([("*IDN?", "A"), ("*RST", None)])
    link.write("*IDN?")
    with pytest.raises(AssertionError, match="before the answer 'A' was read"):
        link.write("*RST")


def test_reading_what_the_script_does_not_say_fails() -> None:
    link = ScriptedText([("*RST", None)])
    link.write("*RST")
    with pytest.raises(AssertionError, match="where the script has none"):
        link.read(1.0)


def test_an_answer_may_be_an_exception() -> None:
    link = ScriptedText([("*IDN?", TimeoutError("late"))])
    link.write("*IDN?")
    with pytest.raises(TimeoutError, match="late"):
        link.read(1.0)


def test_leftover_text_fails() -> None:
    with pytest.raises(AssertionError, match=r"'\*RST' was never sent"), scripted_text(("*RST", None)):
        pass


def test_plays_bus_messages_in_order() -> None:
    with scripted_link(
        BusExchange(method="write_byte_data", arguments=(0x40, 0x00, 1)),
        BusExchange(method="read_word_data", arguments=(0x40, 0x8B), answer=0x1234),
        BusExchange(method="read_block_data", arguments=(0x40, 0x9A), answer=[0x50, 0x4D]),
        BusExchange(method="read_byte_data", arguments=(0x41, 0x98), answer=OSError(6, "no such device")),
    ) as link:
        link.write_byte_data(0x40, 0x00, 1)
        assert link.read_word_data(0x40, 0x8B) == 0x1234
        assert link.read_block_data(0x40, 0x9A) == [0x50, 0x4D]
        with pytest.raises(OSError, match="no such device"):
            link.read_byte_data(0x41, 0x98)


def test_a_bus_message_that_differs_names_both() -> None:
    with (
        pytest.raises(
            AssertionError, match=r"write_byte\(0x40, 0x3\) came where the script says read_byte_data\(0x40, 0x98\)"
        ),
        scripted_link(BusExchange(method="read_byte_data", arguments=(0x40, 0x98), answer=0x33)) as link,
    ):
        link.write_byte(0x40, 0x03)


def test_leftover_bus_messages_fail() -> None:
    with (
        pytest.raises(AssertionError, match=r"write_block_data\(0x40, 0xd0, \[0x1 0x2\]\) never came"),
        scripted_link(BusExchange(method="write_block_data", arguments=(0x40, 0xD0, (1, 2)))),
    ):
        pass


def test_a_script_that_answers_the_wrong_kind_fails() -> None:
    with (
        pytest.raises(AssertionError, match="an int is due"),
        scripted_link(BusExchange(method="read_byte_data", arguments=(0x40, 0x98), answer=[1])) as link,
    ):
        link.read_byte_data(0x40, 0x98)
