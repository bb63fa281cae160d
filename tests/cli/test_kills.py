"""The short form of `tests/benchmarks/kills.py`: runs on a TCP bench, killed at random instants in every way."""

import random
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from kills import KINDS, a_desk, kill_one, span_of_a_run


def test_runs_killed_at_random_instants_leave_the_board_at_nominal_its_registers_equal_and_the_store_readable(tmp_path):
    draws = random.Random(7)
    with a_desk(tmp_path / "desk", only=["all high"]) as desk:
        span_s = span_of_a_run(desk)
        kills = [kill_one(desk, kind, draws.uniform(*span_s)) for kind in KINDS * 2]
    assert [(kill.kind, kill.instant_s, kill.faults) for kill in kills if kill.faults] == []
