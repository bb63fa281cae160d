"""Checks of the quickstart. On hardware they would talk to the board; here they ask the simulated board.

Each is called once a trial with a view of the corner: `view.levels`, `view.readings["VDD_CORE"].best_v`,
`view.conditions`, `view.unit`, `view.settings`.
"""

from functools import cache
from pathlib import Path

from cornerrun.bench.simulated.board import BoardSettings, margins, passes
from cornerrun.bench.simulated.load import load_simulation
from cornerrun.run.view import CheckView


@cache
def _board(directory: Path) -> BoardSettings:
    return load_simulation(directory / "quickstart_board.yaml").model.board


def memory_march(view: CheckView) -> bool:
    """Write and read back every cell, up and down: True if nothing differs."""
    return passes(_board(view.directory), view.check, view)


def sensor_frames(view: CheckView) -> dict[str, float]:
    """Ask the pressure sensor for a hundred frames; the plan says how many may be lost."""
    board = _board(view.directory)
    lost = 0 if passes(board, view.check, view) else 1
    return {"frames": 100, "lost": lost, "slack": round(min(margins(board, view.check, view)), 2)}
