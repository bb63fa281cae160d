"""Checks of the large demonstration board; on hardware they would talk to it, here they ask the simulated board."""

from functools import cache
from pathlib import Path

from cornerrun.bench.simulated.board import BoardSettings, margins, passes
from cornerrun.bench.simulated.load import load_simulation
from cornerrun.run.view import CheckView


@cache
def _board(directory: Path) -> BoardSettings:
    return load_simulation(directory / "forty_rails_board.yaml").model.board


def _holds(view: CheckView) -> bool:
    return passes(_board(view.directory), view.check, view)


def memory_soak(view: CheckView) -> bool:
    """Keep both memory channels busy: True if nothing differs."""
    return _holds(view)


def radio_loopback(view: CheckView) -> dict[str, float]:
    """Send frames from antenna to antenna; the plan says how many may be lost."""
    board = _board(view.directory)
    return {"lost_frames": 0 if _holds(view) else 3, "slack": round(min(margins(board, view.check, view)), 2)}


def link_training(view: CheckView) -> bool:
    """Train both serial links: True if both come up."""
    return _holds(view)
