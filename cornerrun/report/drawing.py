"""A figure as plain shapes, drawn once and rendered as SVG or PNG: no renderer, no colour and no file in here.

Coordinates are pixels at 96 to the inch, from the upper left corner. Every ink has a meaning, never a colour: the page
gives it one for light, one for dark and one for print, the renderers give it that of paper.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

__all__ = ["Box", "Drawing", "Ink", "Label", "Line", "Mark", "MarkKind", "Shape", "shortened", "text_width"]


class Ink(StrEnum):
    """What a colour stands for."""

    INK = "ink"
    SOFT = "soft"
    RULE = "rule"
    GROUND = "ground"
    BAND = "band"
    PASS = "pass"
    FAILED = "failed"
    TROUBLE = "trouble"
    NOT_RUN = "notrun"
    HIGH = "high"
    LOW = "low"


@dataclass(frozen=True, kw_only=True, slots=True)
class Box:
    """A filled rectangle, or a frame where only ``stroke`` is given."""

    x: float
    y: float
    width: float
    height: float
    fill: Ink | None = None
    stroke: Ink | None = None
    hint: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """A line through points."""

    points: tuple[tuple[float, float], ...]
    stroke: Ink = Ink.INK
    width: float = 1.0
    is_dashed: bool = False


MarkKind = Literal["dot", "square", "triangle", "ring", "diamond"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """A small sign around a point; ``size`` is its width."""

    x: float
    y: float
    ink: Ink
    kind: MarkKind = "dot"
    size: float = 7.0
    hint: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Label:
    """Text whose baseline is at ``y``; ``is_upright`` turns it to read from below to above."""

    x: float
    y: float
    text: str
    size: float = 11.0
    anchor: Literal["start", "middle", "end"] = "start"
    ink: Ink = Ink.INK
    is_bold: bool = False
    is_upright: bool = False
    hint: str = ""


Shape = Box | Line | Mark | Label


@dataclass(frozen=True, kw_only=True, slots=True)
class Drawing:
    """Shapes in the order in which they are painted. ``title`` and ``about`` tell in words what is to be seen."""

    width: float
    height: float
    shapes: tuple[Shape, ...]
    title: str = ""
    about: str = ""


def shortened(text: str, letters: int) -> str:
    """Cut a text that is too long for its place, and show that it was cut."""
    return text if len(text) <= letters else f"{text[: max(letters - 1, 1)]}…"


_NARROW = frozenset("iljtf.,:;'|!()[] ·I1")
_WIDE = frozenset("mwMW@%")


def text_width(text: str, size: float) -> float:
    """Estimate how wide a text is, in pixels, in common fonts without serifs; rather too wide than too small."""
    return size * sum(
        0.34 if c in _NARROW else 0.92 if c in _WIDE else 0.71 if c.isupper() or c == "_" else 0.58 for c in text
    )
