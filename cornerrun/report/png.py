"""A drawing as a PNG picture, in the colours of paper."""

from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from cornerrun.errors import ReportError
from cornerrun.report.cell_text import xml_text
from cornerrun.report.drawing import Box, Drawing, Ink, Label, Line, Mark, Shape
from cornerrun.report.svg import PAPER

if TYPE_CHECKING:
    from PIL.Image import Image as Picture
    from PIL.ImageDraw import ImageDraw as Brush
    from PIL.ImageFont import FreeTypeFont, ImageFont

__all__ = ["write_png"]

_SCALE = 2  # chosen: a figure of 800 points is sharp across a page of A4
_MOST_PIXELS = 120_000_000  # chosen: below what readers refuse as a bomb
_DASH = (4, 3)


def write_png(drawing: Drawing, path: Path) -> Path:
    """Paint a drawing and write it to a file. Raises ReportError if it cannot be written."""
    from PIL import Image, ImageDraw

    scale = _SCALE if drawing.width * drawing.height * _SCALE**2 <= _MOST_PIXELS else 1
    picture = Image.new("RGB", (round(drawing.width * scale), round(drawing.height * scale)), PAPER[Ink.GROUND])
    brush = ImageDraw.Draw(picture)
    fonts: dict[tuple[float, bool], FreeTypeFont | ImageFont] = {}
    for shape in drawing.shapes:
        if isinstance(shape, Label):
            _label(picture, brush, shape, scale, fonts)
        else:
            _paint(brush, shape, scale)
    try:
        picture.save(path, optimize=True)
    except OSError as error:
        raise ReportError(f"{path}: the figure cannot be written: {error.strerror or error}") from error
    return path


def _paint(brush: "Brush", shape: Shape, scale: int) -> None:
    if isinstance(shape, Box):
        corners = _corners(shape.x, shape.y, shape.x + shape.width, shape.y + shape.height, scale)
        outline = PAPER[shape.stroke] if shape.stroke else None
        brush.rectangle(corners, fill=PAPER[shape.fill] if shape.fill else None, outline=outline, width=scale)
    elif isinstance(shape, Line):
        points = [(x * scale, y * scale) for x, y in shape.points]
        width = max(1, round(shape.width * scale))
        for start, end in pairwise(points):
            pieces = _dashes(start, end, scale) if shape.is_dashed else [(start, end)]
            for piece in pieces:
                brush.line(piece, fill=PAPER[shape.stroke], width=width)
    elif isinstance(shape, Mark):
        _mark(brush, shape, scale)


def _mark(brush: "Brush", mark: Mark, scale: int) -> None:
    x, y, half = mark.x * scale, mark.y * scale, mark.size * scale / 2
    colour = PAPER[mark.ink]
    around = (x - half, y - half, x + half, y + half)
    if mark.kind == "dot":
        brush.ellipse(around, fill=colour)
    elif mark.kind == "ring":
        brush.ellipse(around, outline=colour, width=round(1.5 * scale))
    elif mark.kind == "square":
        brush.rectangle(around, fill=colour)
    elif mark.kind == "triangle":
        brush.polygon([(x, y - half), (x + half, y + half), (x - half, y + half)], fill=colour)
    else:
        brush.polygon([(x, y - half), (x + half, y), (x, y + half), (x - half, y)], fill=colour)


def _label(
    picture: "Picture",
    brush: "Brush",
    label: Label,
    scale: int,
    fonts: "dict[tuple[float, bool], FreeTypeFont | ImageFont]",
) -> None:
    from PIL import Image, ImageDraw, ImageFont

    key = (label.size, label.is_bold)
    font = fonts.setdefault(key, ImageFont.load_default(size=label.size * scale))
    text, colour = _drawable(xml_text(label.text)), PAPER[label.ink]
    strength = scale * 0.3 if label.is_bold else 0  # the font that comes with the library has one weight
    left, _, right, _ = brush.textbbox((0, 0), text, font=font, anchor="ls")
    length = right - left
    back = {"start": 0.0, "middle": length / 2, "end": length}[label.anchor]
    x, y = label.x * scale, label.y * scale
    if not label.is_upright:
        brush.text((x - back, y), text, font=font, anchor="ls", fill=colour, stroke_width=strength)
        return
    height = round(label.size * scale * 1.5)
    strip = Image.new("L", (max(round(length) + 2, 1), height), 0)
    ImageDraw.Draw(strip).text((0, height * 0.7), text, font=font, anchor="ls", fill=255, stroke_width=strength)
    turned = strip.rotate(90, expand=True)
    place = (round(x - height * 0.7), round(y + back - turned.height))
    picture.paste(Image.new("RGB", turned.size, colour), place, turned)


def _drawable(text: str) -> str:
    """Spell what the library's own font lacks: it would paint boxes."""
    return text.replace("\n", " ").replace("●", "o").replace("■", "#").replace("▲", "^").replace("○", "-")


def _corners(x0: float, y0: float, x1: float, y1: float, scale: int) -> tuple[float, float, float, float]:
    # Both ends belong to what Pillow paints.
    return (x0 * scale, y0 * scale, max(x1 * scale - 1, x0 * scale), max(y1 * scale - 1, y0 * scale))


def _dashes(
    start: tuple[float, float], end: tuple[float, float], scale: int
) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    length = ((end[0] - start[0]) ** 2 + (end[1] - start[1]) ** 2) ** 0.5
    on, off = (part * scale for part in _DASH)
    found, at = [], 0.0
    while at < length:
        stop = min(at + on, length)
        found.append(
            (
                (start[0] + (end[0] - start[0]) * at / length, start[1] + (end[1] - start[1]) * at / length),
                (start[0] + (end[0] - start[0]) * stop / length, start[1] + (end[1] - start[1]) * stop / length),
            )
        )
        at += on + off
    return found
