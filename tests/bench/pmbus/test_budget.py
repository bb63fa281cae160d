"""The health budget: a few errors are the bench's noise, many end the run before anything leaves nominal."""

import errno
import random
from typing import Any

import pytest

from cornerrun.bench.pmbus.budget import Budget
from cornerrun.corners.model import RailLevel
from cornerrun.errors import BenchError, HealthExhausted


def sick(setup: Any, ratio: float) -> None:
    rng = random.Random(3)

    def fail(method: str, command: int) -> None:
        if rng.random() < ratio:
            raise OSError(errno.ENXIO, "planted")

    setup.emulator.before = fail


def go_on(setup: Any, moves: int) -> None:
    for _ in range(moves):
        for level in ("high", "nominal"):
            try:
                setup.power.move([RailLevel(rail=rail, level=level) for rail in ("R0", "R1", "R2")])
                for _ in range(5):
                    setup.power.read(("R0", "R1", "R2"))
            except HealthExhausted:
                raise
            except BenchError:
                continue


def test_one_per_cent_of_errors_is_borne(setup: Any) -> None:
    setup.power.connect()
    sick(setup, 0.01)
    go_on(setup, 60)


def test_two_per_cent_are_told(setup: Any) -> None:
    setup.power.connect()
    sick(setup, 0.02)
    go_on(setup, 60)
    assert any("is in poor health" in note.what and note.severity == "warning" for note in setup.link.remarks.take())


def test_ten_per_cent_end_the_run_and_leave_the_way_back_open(setup: Any) -> None:
    setup.power.connect()
    sick(setup, 0.10)
    with pytest.raises(HealthExhausted, match=r"errors in 1000 messages, where 50 are allowed; nothing more is moved"):
        go_on(setup, 200)
    setup.emulator.before = lambda method, command: None
    setup.power.to_nominal()
    assert [setup.emulator.output_v(page) for page in range(3)] == pytest.approx([0.85, 1.2, 1.8], abs=1e-3)


def test_errors_that_are_long_past_do_not_count() -> None:
    budget = Budget(0.05)
    for message in range(60):
        budget.spend(message)
    assert budget.is_exhausted(60)
    assert not budget.is_exhausted(1100)
    budget.spend(1100)
    assert "1 errors" in str(budget)


def test_what_turned_out_to_be_an_answer_is_taken_back() -> None:
    budget = Budget(0.001)
    budget.spend(5)
    budget.spend(6)
    budget.forgive(5)
    assert not budget.is_exhausted(7)
