"""Ready-made checks that ask the simulated board: a plan for the simulator needs no code of its own.

A plan names them by module and function, and the board's function by the name of the check::

    checks:
      - {name: memory march, python: "cornerrun.bench.simulated.checks:trial", trials: 30, timeout: 5 s, takes: 20 ms}

On a bench in this process the simulation file is the bench's own; elsewhere ``settings: {simulation: board.yaml}``
names it, from where the plan lies. ``settings: {through: console}`` has the check talk through the board's console.
"""

import signal
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Protocol

from cornerrun.bench.simulated.board import BoardSettings, BoardView, margins, passes
from cornerrun.bench.simulated.population import individual
from cornerrun.errors import CheckError

__all__ = ["ShownView", "board_of", "numbers", "trial"]


class ShownView(BoardView, Protocol):
    """What these functions read of a check's view; the run's own view fits."""

    @property
    def check(self) -> str:
        """The name of the check."""
        ...

    @property
    def directory(self) -> Path:
        """Where the plan lies."""
        ...

    @property
    def settings(self) -> Mapping[str, str]:
        """What the plan hands to the check."""
        ...

    @property
    def board(self) -> Mapping[str, str]:
        """What a simulated bench says of the board."""
        ...


def trial(view: ShownView) -> bool:
    """Exercise the function that has the check's name: True if it works.

    A board that hangs, or a console that is lost where the check goes through it, gives no answer: this never returns.

    Raises:
        CheckError: nothing names the simulation file, or the board knows no such check.

    """
    _wait_for_answer(view)
    return passes(board_of(view), view.check, view)


def numbers(view: ShownView) -> Mapping[str, float]:
    """Exercise it, and tell ``failures`` (0 or 1) and ``slack``, the least distance to an edge in its own spreads.

    Raises:
        CheckError: as `trial`.

    """
    _wait_for_answer(view)
    board = board_of(view)
    slack = min(margins(board, view.check, view), default=0.0)
    return {"failures": 0.0 if passes(board, view.check, view) else 1.0, "slack": round(slack, 2)}


def board_of(view: ShownView) -> BoardSettings:
    """Find the board of the unit under test: as its serial number draws it from the population.

    Raises:
        CheckError: nothing names the simulation file.

    """
    named = view.settings.get("simulation") or view.board.get("simulation")
    if named is None:
        raise CheckError(
            f"check {view.check!r} does not know the simulation file; add `settings: {{simulation: FILE.yaml}}` to it"
        )
    return _board(view.directory / named, view.serial)


@cache
def _board(path: Path, serial: str) -> BoardSettings:
    from cornerrun.bench.simulated.load import load_simulation

    return individual(load_simulation(path).model, serial).board


def _wait_for_answer(view: ShownView) -> None:
    is_mute = view.board.get("state") == "hung"
    if view.settings.get("through") == "console" and view.board.get("console") == "lost":
        is_mute = True
    while is_mute:
        signal.pause()  # until the run's time-out ends this process
