"""A drawing as SVG: inside the page, where style sheets colour it, or as a file that stands alone."""

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from types import MappingProxyType
from xml.sax.saxutils import escape, quoteattr

from cornerrun.report.cell_text import xml_text
from cornerrun.report.drawing import Box, Drawing, Ink, Label, Line, Mark, Shape

__all__ = ["PAPER", "to_svg"]

# After the palette of Okabe and Ito, "Color Universal Design", from memory: blue, vermillion, yellow, grey; they differ
# in lightness too, so that a grey print still tells them apart.
PAPER: Mapping[Ink, str] = MappingProxyType(
    {
        Ink.INK: "#1f2a33",
        Ink.SOFT: "#5b6770",
        Ink.RULE: "#c7ced4",
        Ink.GROUND: "#ffffff",
        Ink.BAND: "#e9eef2",
        Ink.PASS: "#0b5a8f",
        Ink.FAILED: "#b34700",
        Ink.TROUBLE: "#c9a400",
        Ink.NOT_RUN: "#9aa4ab",
        Ink.HIGH: "#3d7fae",
        Ink.LOW: "#a9743a",
    }
)
"""What each ink is on white paper."""

_FONT = "system-ui, 'Segoe UI', 'Liberation Sans', Arial, sans-serif"
_TRIANGLE = 0.9  # of its width: its height


def to_svg(drawing: Drawing, *, is_alone: bool = False, is_stretched: bool = False) -> str:
    """Write a drawing as an SVG element.

    Inside a page, classes ``f-INK`` and ``s-INK`` name fills and strokes. ``is_alone`` adds the colours of paper and
    what a file of its own needs; ``is_stretched`` lets it fill its place. Text is escaped, and what XML cannot hold is
    spelled out.
    """
    size = f'viewBox="0 0 {_n(drawing.width)} {_n(drawing.height)}"'
    size += f' width="{_n(drawing.width)}" height="{_n(drawing.height)}"'
    size += ' preserveAspectRatio="none"' if is_stretched else ""
    told = drawing.about or drawing.title
    named = f'role="img" aria-label={quoteattr(xml_text(told))}' if told else 'aria-hidden="true"'
    body = "".join(_shapes(drawing.shapes))
    if not is_alone:
        return f'<svg class="fig" {size} {named}>{body}</svg>'
    style = "".join(f".f-{ink}{{fill:{code}}}.s-{ink}{{stroke:{code}}}" for ink, code in PAPER.items())
    ground = f'<rect width="100%" height="100%" class="f-{Ink.GROUND}"/>'
    title = f"<title>{escape(xml_text(drawing.title))}</title>" if drawing.title else ""
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<svg xmlns="http://www.w3.org/2000/svg" {size} {named}>'
        f"{title}<style>text{{font-family:{_FONT}}}{style}</style>{ground}{body}</svg>\n"
    )


def _shapes(shapes: Sequence[Shape]) -> Iterable[str]:
    # Boxes of one ink become one path: a map of thousands of cells opens at once.
    for plain, group in groupby(shapes, key=_merging):
        if plain is None:
            for shape in group:
                yield _shape(shape)
        else:
            path = "".join(
                f"M{_n(box.x)} {_n(box.y)}h{_n(box.width)}v{_n(box.height)}h{_n(-box.width)}z"
                for box in group
                if isinstance(box, Box)
            )
            yield f'<path class="f-{plain}" d="{path}"/>'


def _merging(shape: Shape) -> Ink | None:
    is_plain = isinstance(shape, Box) and not shape.hint and shape.stroke is None
    return shape.fill if is_plain and isinstance(shape, Box) else None


def _shape(shape: Shape) -> str:
    if isinstance(shape, Box):
        paint = f'class="{_classes(shape.fill, shape.stroke)}"' + ("" if shape.fill else ' fill="none"')
        start = f'<rect x="{_n(shape.x)}" y="{_n(shape.y)}" width="{_n(shape.width)}" height="{_n(shape.height)}"'
        return _with_hint(f"{start} {paint}", "rect", shape.hint)
    if isinstance(shape, Line):
        points = " ".join(f"{_n(x)},{_n(y)}" for x, y in shape.points)
        dashed = ' stroke-dasharray="4 3"' if shape.is_dashed else ""
        return (
            f'<polyline class="s-{shape.stroke}" fill="none" stroke-width="{_n(shape.width)}"{dashed} '
            f'points="{points}"/>'
        )
    if isinstance(shape, Mark):
        return _mark(shape)
    return _label(shape)


def _mark(mark: Mark) -> str:
    x, y, half = mark.x, mark.y, mark.size / 2
    if mark.kind == "dot":
        return _with_hint(f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(half)}" class="f-{mark.ink}"', "circle", mark.hint)
    if mark.kind == "ring":
        start = f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(half)}" class="s-{mark.ink}" fill="none" stroke-width="1.5"'
        return _with_hint(start, "circle", mark.hint)
    if mark.kind == "square":
        start = f'<rect x="{_n(x - half)}" y="{_n(y - half)}" width="{_n(mark.size)}" height="{_n(mark.size)}"'
        return _with_hint(f'{start} class="f-{mark.ink}"', "rect", mark.hint)
    points = (
        f"{_n(x)},{_n(y - half)} {_n(x + half)},{_n(y + half * _TRIANGLE)} {_n(x - half)},{_n(y + half * _TRIANGLE)}"
        if mark.kind == "triangle"
        else f"{_n(x)},{_n(y - half)} {_n(x + half)},{_n(y)} {_n(x)},{_n(y + half)} {_n(x - half)},{_n(y)}"
    )
    return _with_hint(f'<polygon points="{points}" class="f-{mark.ink}"', "polygon", mark.hint)


def _label(label: Label) -> str:
    place = f'x="{_n(label.x)}" y="{_n(label.y)}"'
    if label.is_upright:
        place = f'transform="translate({_n(label.x)} {_n(label.y)}) rotate(-90)"'
    anchor = "" if label.anchor == "start" else f' text-anchor="{label.anchor}"'
    bold = ' font-weight="600"' if label.is_bold else ""
    hint = f"<title>{escape(xml_text(label.hint))}</title>" if label.hint else ""
    text = escape(xml_text(label.text))
    return f'<text {place} font-size="{_n(label.size)}" class="f-{label.ink}"{anchor}{bold}>{text}{hint}</text>'


def _classes(fill: Ink | None, stroke: Ink | None) -> str:
    return " ".join([*([f"f-{fill}"] if fill else []), *([f"s-{stroke}"] if stroke else [])])


def _with_hint(start: str, tag: str, hint: str) -> str:
    return f"{start}><title>{escape(xml_text(hint))}</title></{tag}>" if hint else f"{start}/>"


def _n(value: float) -> str:
    """Write a length to a hundredth of a pixel."""
    return f"{value:.2f}".rstrip("0").rstrip(".")
