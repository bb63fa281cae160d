"""What the corners that were run have met of what could be asked, as rows for sheet and page."""

from collections.abc import Iterator
from dataclasses import dataclass

from cornerrun.report.summary_model import Summary

__all__ = ["CoverageRow", "coverage_lead", "coverage_rows"]

_WORDS = {1: "Levels off nominal", 2: "Pairs of levels off nominal", 3: "Triples of levels off nominal"}


@dataclass(frozen=True, kw_only=True, slots=True)
class CoverageRow:
    """So many ``met`` of those ``possible``; ``ruled_out`` are left out of those by constraints, None if not told."""

    what: str
    met: int
    possible: int
    ruled_out: int | None = None


def coverage_rows(summary: Summary) -> Iterator[CoverageRow]:
    """Go through corners, levels, pairs and triples."""
    tally, found = summary.tally, summary.coverage
    yield CoverageRow(what="Corners", met=tally.corners_run, possible=tally.corners_planned)
    yield CoverageRow(what="Levels of rails", met=found.levels_met, possible=found.levels_possible)
    yield CoverageRow(what="Pairs of levels of two rails", met=found.pairs_met, possible=found.pairs_possible)
    yield CoverageRow(
        what="Pairs of high and low", met=found.high_low_pairs_met, possible=found.high_low_pairs_possible
    )
    for one in found.combinations:
        if one.total:
            what = _WORDS.get(one.strength, f"{one.strength}-tuples of levels off nominal")
            yield CoverageRow(what=what, met=one.covered, possible=one.feasible, ruled_out=one.total - one.feasible)


def coverage_lead(summary: Summary) -> str:
    """Say what is counted."""
    varied = summary.coverage.conditions
    also = f" Off nominal, {', '.join(varied)} count beside the rails, as the plan varies them." if varied else ""
    return f"What the corners that were run have met of what the levels of the plan allow. Conclusions end there.{also}"
