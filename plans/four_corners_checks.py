"""Checks of the four-corner sweep. On hardware they would talk to the logger; here they ask the simulated board."""

from functools import cache
from pathlib import Path

from cornerrun.bench.simulated.board import BoardSettings, margins, passes
from cornerrun.bench.simulated.load import load_simulation
from cornerrun.run.view import CheckView


@cache
def _board(directory: Path) -> BoardSettings:
    return load_simulation(directory / "four_corners_board.yaml").model.board


def record(view: CheckView) -> bool:
    """Write a record to the memory and read it back: True if nothing differs."""
    return passes(_board(view.directory), view.check, view)


def radio(view: CheckView) -> dict[str, float]:
    """Ask the radio how far its supply is from where it loses the link; the plan says how much is enough."""
    # The simulated edge is 1 mV wide, and margins are told in widths of their edges.
    return {"margin_mv": round(min(margins(_board(view.directory), view.check, view)), 2)}
