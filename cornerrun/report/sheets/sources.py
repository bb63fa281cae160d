"""The data sheets that other sheets count over."""

from dataclasses import dataclass

from cornerrun.report.blocks import Block
from cornerrun.report.sheets.trials import Trials

__all__ = ["Sources"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Sources:
    """Where visits, readings and trials lie."""

    visits: Block
    readings: tuple[Block, ...]
    trials: Trials

    @property
    def reading_rows(self) -> int:
        """How many rows of readings there are."""
        return sum(block.last_row - block.first_row + 1 for block in self.readings)
