import pytest

from cornerrun.bench.scpi.conversation import Conversation
from cornerrun.bench.scpi.text import number, parse_identity
from cornerrun.errors import InstrumentError
from cornerrun.testing.scripted import ScriptedText, scripted_text

IDENTITY = "MAKER,MODEL,1,2"


def talk(link: ScriptedText) -> Conversation:
    return Conversation(link=link, name="meter", timeout_s=1.0)


def test_an_answer_is_read_by_who_asked() -> None:
    with scripted_text(("VOLT?", " +8.5E-01\r")) as link:
        assert talk(link).query("VOLT?", number) == pytest.approx(0.85)


def test_nonsense_names_the_command_and_the_answer() -> None:
    with (
        scripted_text(("VOLT?", "banana")) as link,
        pytest.raises(InstrumentError, match=r"meter answered 'banana' to 'VOLT\?'"),
    ):
        talk(link).query("VOLT?", number)


def test_silence_names_the_command_and_the_time() -> None:
    with (
        scripted_text(("VOLT?", TimeoutError())) as link,
        pytest.raises(InstrumentError, match=r"did not answer 'VOLT\?' within 2.5 s"),
    ):
        talk(link).query("VOLT?", number, timeout_s=2.5)


@pytest.mark.parametrize(
    "error", [ConnectionRefusedError(111, "Connection refused"), BrokenPipeError(32, "Broken pipe")]
)
def test_a_link_that_is_gone_says_so(error: OSError) -> None:
    with scripted_text(("VOLT?", error)) as link, pytest.raises(InstrumentError, match=f"gone.*{error.strerror}"):
        talk(link).query("VOLT?", number)


def test_a_link_that_takes_no_message_is_gone_too() -> None:
    class Dead(ScriptedText):
        def write(self, message: str, /) -> None:
            raise BrokenPipeError(32, "Broken pipe")

    with pytest.raises(InstrumentError, match=r"gone at 'INIT'.*Broken pipe"):
        talk(Dead(())).write("INIT")


def test_a_late_answer_never_answers_the_next_question() -> None:
    exchanges = (
        ("*IDN?", IDENTITY),
        ("FETC?", TimeoutError()),
        ("*IDN?", "+1.00E+00"),  # the late reading, which still came first
    )

    class Late(ScriptedText):
        def read(self, timeout_s: float, /) -> str:
            answer = super().read(timeout_s)
            if answer == "+1.00E+00":
                self._answer = IDENTITY
            return answer

    link = Late((*exchanges, ("VOLT?", "+2.00E+00")))
    conversation = talk(link)
    conversation.identify(parse_identity)
    with pytest.raises(InstrumentError, match="did not answer"):
        conversation.query("FETC?", number)
    assert conversation.query("VOLT?", number) == pytest.approx(2.0)
    assert link.clears == 2
    assert not link.left


def test_an_instrument_that_never_gets_back_in_step_is_given_up() -> None:
    class Babbling(ScriptedText):
        def read(self, timeout_s: float, /) -> str:
            return "babble" if len(self.left) == 0 else super().read(timeout_s)

    link = Babbling((("*IDN?", IDENTITY), ("VOLT?", "no"), ("*IDN?", None)))
    conversation = talk(link)
    conversation.identify(parse_identity)
    with pytest.raises(InstrumentError, match="answered 'no'"):
        conversation.query("VOLT?", number)
    with pytest.raises(InstrumentError, match="answers other questions than those asked"):
        conversation.query("VOLT?", number)


def test_empties_the_error_queue_oldest_first() -> None:
    with scripted_text(
        ("SYST:ERR?", '-113,"Undefined header"'), ("SYST:ERR?", '-350,"Queue overflow"'), ("SYST:ERR?", '0,"No error"')
    ) as link:
        assert [entry.code for entry in talk(link).errors()] == [-113, -350]


def test_a_queue_that_never_gets_empty_is_an_error() -> None:
    with (
        scripted_text(*[("SYST:ERR?", '-113,"Undefined header"')] * 50) as link,
        pytest.raises(InstrumentError, match="errors without end"),
    ):
        talk(link).errors()


def test_an_order_that_is_refused_names_the_command_the_entry_and_what_to_do() -> None:
    with (
        scripted_text(
            ("ROUT:SCAN (@999)", None), ("SYST:ERR?", '-222,"Data out of range"'), ("SYST:ERR?", '0,"No error"')
        ) as link,
        pytest.raises(InstrumentError, match=r"refuses 'ROUT:SCAN \(@999\)': -222,\"Data out of range\"; mend it"),
    ):
        talk(link).order("ROUT:SCAN (@999)", "mend it")


def test_an_identity_that_comes_late_is_no_answer_whatever_the_reader_would_take() -> None:
    """Two questions for the identity may be on their way when the first answer brings the conversation back in step."""
    answers: list[str] = []

    class Link:
        def write(self, message: str, /) -> None:
            answers.append({"*IDN?": "A,B,1,2", "VOLT?": "3.3", "CURR?": "1.5"}[message])

        def read(self, timeout_s: float, /) -> str:
            return answers.pop(0)

        def clear(self) -> None:
            """Discards nothing: what is on its way comes all the same."""

        def close(self) -> None:
            """Nothing to give back."""

    talk = Conversation(link=Link(), name="supply", timeout_s=1.0)
    talk.identify(str)
    answers.append("A,B,1,2")
    with pytest.raises(InstrumentError, match="an answer to an older question"):
        talk.query("VOLT?", str)
    assert talk.query("CURR?", str) == "1.5"
    assert talk.query("VOLT?", str) == "3.3"
