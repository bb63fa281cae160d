"""The data sheets that other sheets count over."""

from dataclasses import dataclass

from cornerrun.report.blocks import Block
from cornerrun.report.sheets.trials import Trials

__all__ = ["Sources"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Sources:
    """Where visits, readings and trials lie."""

    visits: tuple[Block, ...]
    readings: tuple[Block, ...]
    trials: Trials
