"""Lists of messages: complete, and folded without loss."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.plan.load import load_bench, load_plan
from cornerrun.preflight.facts import gather
from cornerrun.preflight.paper.letters import Letter, Letters, folded
from cornerrun.preflight.paper.rehearsal import rehearse

PLANS = Path(__file__).parents[2] / "plans"


def letter(what: str) -> Letter:
    return Letter(at_s=0.0, to="main 0x40 PM1", kind="read", what=what)


def unfolded(found: tuple[tuple[int, tuple[Letter, ...]], ...]) -> list[str]:
    return [item.what for times, stretch in found for _ in range(times) for item in stretch]


@given(st.lists(st.sampled_from("abc"), max_size=40))
def test_folding_loses_no_message(text: list[str]) -> None:
    assert unfolded(folded([letter(what) for what in text])) == text


def test_a_sweep_that_repeats_is_told_once() -> None:
    found = folded([letter(what) for what in "x" + "abc" * 5 + "y"])
    assert [(times, "".join(item.what for item in stretch)) for times, stretch in found] == [
        (1, "x"),
        (5, "abc"),
        (1, "y"),
    ]


@pytest.fixture(scope="module")
def letters() -> Letters:
    plan = load_plan(PLANS / "quickstart.yaml")
    found = Letters()
    rehearsal = rehearse(gather(plan, load_bench(PLANS / "quickstart_bench.yaml"), None), found)
    assert rehearsal is not None
    told = [one for section in found.whole() for one in section.letters if one.kind in {"read", "write"}]
    assert len(told) == sum(rehearsal.messages.values()), "every message that the estimate counts is told"
    return found


def test_every_step_has_its_section_and_what_it_writes(letters: Letters) -> None:
    high = next(section for section in letters.whole() if section.title == "visit 1: all high")
    writes = [one for one in high.letters if one.kind == "write" and one.what == "OPERATION"]
    assert [(one.page, one.data) for one in writes] == [(page, "margin high") for page in (0, 1, 2, 3)]


def test_only_what_a_margin_register_does_not_hold_yet_is_written_into_it(letters: Letters) -> None:
    everything = [one for section in letters.whole() for one in section.letters]
    words = [(one.page, one.data) for one in everything if one.kind == "write" and one.what == "VOUT_MARGIN_LOW"]
    # 1.8 V - 7 % = 1.674 V at 2^-12 V a step: 6856.7, so 6857 = 0x1ac9. The way back restores what was found.
    # The demo board holds 5 % of 0.9 V where the plan asks for 3 %: 0.873 V is 3575.8, so 3576 = 0x0df8.
    assert words[:2] == [(1, "low, 0.873047 V, word 0x0df8"), (3, "low7, 1.67407 V, word 0x1ac9")]
    assert {data for _, data in words[2:]} == {"as found"}


def test_meter_and_checks_are_told_too(letters: Letters) -> None:
    kinds = {one.kind for section in letters.whole() for one in section.letters}
    assert {"meter", "check"} <= kinds


def test_a_page_is_written_before_its_registers_are(letters: Letters) -> None:
    at: dict[str, int | None] = {}
    for section in letters.whole():
        for one in section.letters:
            if one.kind == "write" and one.what == "PAGE":
                at[one.to] = int(one.data, 16)
            elif one.kind in {"read", "write"} and one.page is not None:
                assert at.get(one.to) == one.page, one
