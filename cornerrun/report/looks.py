"""Names of cell styles, and the word and shape of each outcome; how they look is the template's.

An outcome is told three times: by its word, by a shape, by a fill that colour-blind people tell apart.
"""

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType

from cornerrun.report.drawing import Ink, MarkKind
from cornerrun.results.decision import Decision
from cornerrun.results.records import EndState, Outcome, RunResult

__all__ = ["Style", "ink_of", "mark_of", "marked", "style_of", "symbol_of"]


class Style(StrEnum):
    """The cell styles that a template must hold; its user may change what each looks like, number format included."""

    SHEET_TITLE = "CR sheet title"
    GUIDE = "CR guide"
    BANNER_PASS = "CR banner pass"
    BANNER_FAILED = "CR banner failed"
    BANNER_TROUBLE = "CR banner trouble"
    WHY = "CR why"
    BLOCK = "CR block"
    HEAD = "CR head"
    HEAD_TURNED = "CR head turned"
    LABEL = "CR label"
    TEXT = "CR text"
    WRAPPED = "CR wrapped"
    COUNT = "CR count"
    VOLTS = "CR volts"
    MILLIVOLTS = "CR millivolts"
    PLUS_MINUS_MILLIVOLTS = "CR plus minus millivolts"
    PERCENT = "CR percent"
    SIGNED_PERCENT = "CR signed percent"
    SHARE = "CR share"
    SECONDS = "CR seconds"
    AMPERES = "CR amperes"
    DEGREES = "CR degrees"
    NUMBER = "CR number"
    TIME = "CR time"
    CODE = "CR code"
    MAP_NOMINAL = "CR map nominal"
    MAP_HIGH = "CR map high"
    MAP_LOW = "CR map low"
    PASS = "CR pass"
    FAILED = "CR failed"
    TROUBLE = "CR trouble"
    NOT_RUN = "CR not run"
    CAUTION = "CR caution"


_PASS, _FAILED, _TROUBLE, _NOT_RUN = "●", "■", "▲", "○"

_STYLES: Mapping[str, Style] = MappingProxyType(
    {_PASS: Style.PASS, _FAILED: Style.FAILED, _TROUBLE: Style.TROUBLE, _NOT_RUN: Style.NOT_RUN}
)

_INKS: Mapping[str, Ink] = MappingProxyType(
    {_PASS: Ink.PASS, _FAILED: Ink.FAILED, _TROUBLE: Ink.TROUBLE, _NOT_RUN: Ink.NOT_RUN}
)

_MARKS: Mapping[str, MarkKind] = MappingProxyType(
    {_PASS: "dot", _FAILED: "square", _TROUBLE: "triangle", _NOT_RUN: "ring"}
)

Told = Outcome | Decision | RunResult | EndState


def symbol_of(told: Told) -> str:
    """Return the shape of an outcome: ● passed, ■ the product failed, ▲ nothing can be said yet, ○ not run."""
    if isinstance(told, Outcome):
        return _of_outcome(told)
    if isinstance(told, Decision):
        return _PASS if told.is_pass else _FAILED if told.is_failure else _TROUBLE
    if isinstance(told, RunResult):
        return {RunResult.PASS: _PASS, RunResult.FAIL: _FAILED}.get(told, _TROUBLE)
    return {EndState.NOMINAL: _PASS, EndState.OFF: _TROUBLE}.get(told, _FAILED)


def marked(told: Told) -> str:
    """Return shape and word, as they stand in a cell."""
    return f"{symbol_of(told)} {told.value}"


def style_of(told: Told) -> Style:
    """Return the style of the cell that tells an outcome."""
    return _STYLES[symbol_of(told)]


def ink_of(told: Told) -> Ink:
    """Return the ink of figures and of the page that tells an outcome, beside its shape and word."""
    return _INKS[symbol_of(told)]


def mark_of(told: Told) -> MarkKind:
    """Return the shape that stands for an outcome in a figure."""
    return _MARKS[symbol_of(told)]


def _of_outcome(outcome: Outcome) -> str:
    if outcome is Outcome.PASS:
        return _PASS
    if outcome.is_product_failure:
        return _FAILED
    return _TROUBLE if outcome.is_bench_trouble else _NOT_RUN
