"""The table of phases and the table of ways: complete, and safe from every place."""

import itertools

import pytest

from cornerrun.results.records import Outcome
from cornerrun.run.sequence import FOLLOWS, WAYS, Phase, Sequence, SequenceError, Trouble

AT_WORK = [Phase.INTENT, Phase.CONDITION, Phase.MOVE, Phase.SETTLE, Phase.MEASURE, Phase.CHECK]


def test_every_phase_says_what_may_follow_it():
    assert set(FOLLOWS) == set(Phase)


def test_every_trouble_has_a_way():
    assert set(WAYS) == set(Trouble)


@pytest.mark.parametrize(("phase", "trouble"), list(itertools.product(AT_WORK, Trouble)))
def test_the_way_to_safety_is_open_from_every_phase_of_a_visit(phase, trouble):
    assert WAYS[trouble].first in FOLLOWS[phase]


@pytest.mark.parametrize("phase", [phase for phase in Phase if phase is not Phase.ENDED])
def test_every_phase_can_come_to_the_end(phase):
    seen, waiting = {phase}, [phase]
    while waiting:
        for following in FOLLOWS[waiting.pop()]:
            if following not in seen:
                seen.add(following)
                waiting.append(following)
    assert Phase.ENDED in seen


@pytest.mark.parametrize("phase", [Phase.RECOVER, Phase.RETURN, Phase.RESTORE])
def test_a_way_back_that_fails_can_still_turn_the_board_off(phase):
    assert Phase.OFF in FOLLOWS[phase]


def test_nothing_moves_without_an_intent_before_it():
    reached_without_intent, waiting = {Phase.PREPARE}, [Phase.PREPARE]
    while waiting:
        for following in FOLLOWS[waiting.pop()] - {Phase.INTENT}:
            if following not in reached_without_intent:
                reached_without_intent.add(following)
                waiting.append(following)
    assert Phase.MOVE not in reached_without_intent


def test_nothing_follows_off_but_the_end():
    assert FOLLOWS[Phase.OFF] == {Phase.ENDED}


def test_refuses_what_the_table_does_not_list():
    sequence = Sequence()
    with pytest.raises(SequenceError, match="move may not follow prepare"):
        sequence.go(Phase.MOVE)
    assert sequence.phase is Phase.PREPARE


def test_bench_trouble_is_never_a_product_failure():
    for trouble in (Trouble.BUS, Trouble.INSTRUMENT, Trouble.CHECK, Trouble.SUPERVISION, Trouble.INTERNAL):
        assert WAYS[trouble].outcome.is_bench_trouble
    assert WAYS[Trouble.STOP].outcome is Outcome.ABORTED


@pytest.mark.parametrize(
    "trouble", [Trouble.SEVERE_TRIP, Trouble.HARD_LIMIT, Trouble.SUPERVISION, Trouble.FAILED_RETURN]
)
def test_what_nominal_cannot_make_safe_goes_off_and_ends_the_run(trouble):
    assert WAYS[trouble].first is Phase.OFF
    assert WAYS[trouble].ends_run
