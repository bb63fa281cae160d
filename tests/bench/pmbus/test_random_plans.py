"""No write that the driver sends takes an output where the plan forbids it, whatever plan, encoding and sequence."""

import pytest
from random_plans import Parts, judged

PLANS = 10_000  # a tenth of what `python tests/benchmarks/forbidden_voltages.py` plays
BLOCKS = 10


@pytest.mark.parametrize("block", range(BLOCKS))
def test_no_plan_takes_an_output_beyond_a_hard_limit_or_a_relation(block: int, parts: Parts) -> None:
    size = PLANS // BLOCKS
    played = [judged(seed, parts) for seed in range(block * size, (block + 1) * size)]
    assert [trouble for troubles, _, _ in played for trouble in troubles] == []
    # A driver that refused everything, or nothing, would show nothing.
    assert sum(made for _, made, _ in played) > size // 2
    assert sum(refused for _, _, refused in played) > size // 2


def test_the_judge_sees_an_output_that_is_taken_too_far(parts: Parts, monkeypatch: pytest.MonkeyPatch) -> None:
    from cornerrun.bench.guard import Guard

    for name in ("permit", "permit_together", "permit_home", "permit_return"):
        monkeypatch.setattr(Guard, name, lambda *_: None)
    assert any(judged(seed, parts)[0] for seed in range(20))
