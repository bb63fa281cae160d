"""The least that a run can cost on the bus, counted from what the design demands of each visit.

- A rail that moves: PAGE written and read back, the margin word and TRIM read again (a device reset reloads them),
  OPERATION read, written and read back. Each margin word is loaded once in a run: one write and its read-back.
- Settling: three fresh readings of each rail that moved, each PAGE written and read back, STATUS_WORD, READ_VOUT.
- Measurement: one sweep of every rail, with READ_IOUT and READ_TEMPERATURE_1.
- The watch: every rail once a period, less the sweep that a visit makes anyway.

PAGE costs nothing where a device has one page. Broadcasts would need fewer, and are not counted on. Identity, baseline
and the way back are left out of the floor, but not out of what is measured.
"""

from bench import Measured

from cornerrun.plan.model import NOMINAL

_PAGE = 2
_MOVE = _PAGE + 2 + 3
_READ = _PAGE + 2
_LOAD = 2
_MARGIN_WORD = 2


def least_messages(run: Measured) -> float:
    """Count the messages that the visits of a run need at the least."""
    moves = [item for step in run.planned for burst in step.moves for item in burst]
    words = {(item.rail, item.level) for item in moves if item.level != NOMINAL}
    sweeps = len(run.visits)
    watch = max(run.clock_s / run.period_s - sweeps, 0.0)
    return (
        len(moves) * (_MOVE + 3 * _READ)
        + len(words) * _MARGIN_WORD
        + sweeps * run.readable * (_READ + _LOAD)
        + watch * run.readable * _READ
    )
