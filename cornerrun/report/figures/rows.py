"""What most figures here share: one row a thing with its name at the left, one axis with ticks below."""

import math
from collections.abc import Callable, Sequence

from cornerrun.report.drawing import Box, Drawing, Ink, Label, Line, Mark, Shape, shortened, text_width

__all__ = ["RowPlot", "span_of", "ticks"]

_MOST_LETTERS = 44
_TOP, _BOTTOM, _RIGHT = 8.0, 40.0, 18.0


class RowPlot:
    """A plot that is filled row by row; ``low`` and ``high`` are the ends of the axis, in its own unit."""

    def __init__(
        self,
        *,
        names: Sequence[str],
        low: float,
        high: float,
        axis: str,
        show: Callable[[float], str] = lambda value: f"{value:g}",
        is_count: bool = False,
        width: float = 860.0,
        pitch: float = 19.0,
    ) -> None:
        self.left = 18 + max((text_width(shortened(name, _MOST_LETTERS), 11) for name in names), default=24.0)
        self.right = width - _RIGHT
        self.pitch = pitch
        self._width = width
        self._low, self._high = (low, high) if high > low else (low - 1, high + 1)
        self._names = names
        self._axis = axis
        self._show = show
        self._is_count = is_count
        self._below: list[Shape] = []
        self._above: list[Shape] = []

    @property
    def top(self) -> float:
        """The upper edge of the first row."""
        return _TOP

    @property
    def bottom(self) -> float:
        """The lower edge of the last row."""
        return _TOP + self.pitch * max(len(self._names), 1)

    def x(self, value: float) -> float:
        """Place a value on the axis; one beyond it stands at its end."""
        share = (value - self._low) / (self._high - self._low)
        return self.left + min(max(share, 0.0), 1.0) * (self.right - self.left)

    def y(self, row: int) -> float:
        """Place the middle of a row."""
        return _TOP + self.pitch * (row + 0.5)

    def band(self, low: float, high: float, *, rows: Sequence[int] | None = None) -> None:
        """Shade a stretch of the axis, for all rows or for some."""
        x, width = self.x(low), self.x(high) - self.x(low)
        if rows is None:
            self._below.append(Box(x=x, y=self.top, width=width, height=self.bottom - self.top, fill=Ink.BAND))
            return
        for row in rows:
            y = self.y(row) - self.pitch / 2 + 1
            self._below.append(Box(x=x, y=y, width=width, height=self.pitch - 2, fill=Ink.BAND))

    def upright(self, value: float, ink: Ink = Ink.SOFT, *, is_dashed: bool = False) -> None:
        """Draw a line across all rows."""
        points = ((self.x(value), self.top), (self.x(value), self.bottom))
        self._below.append(Line(points=points, stroke=ink, is_dashed=is_dashed))

    def reach(self, row: int, low: float, high: float, ink: Ink = Ink.INK, *, width: float = 1.5) -> None:
        """Draw an interval with ends; an end beyond the axis has none."""
        y = self.y(row)
        self._above.append(Line(points=((self.x(low), y), (self.x(high), y)), stroke=ink, width=width))
        for end in (low, high):
            if self._low <= end <= self._high:
                self._above.append(Line(points=((self.x(end), y - 4), (self.x(end), y + 4)), stroke=ink, width=width))

    def bar(self, row: int, low: float, high: float, ink: Ink) -> None:
        """Draw a bar between two values."""
        x = self.x(low)
        self._above.append(
            Box(x=x, y=self.y(row) - self.pitch * 0.32, width=self.x(high) - x, height=self.pitch * 0.64, fill=ink)
        )

    def add(self, *shapes: Shape) -> None:
        """Put shapes above what is there."""
        self._above.extend(shapes)

    def mark(self, row: int, value: float, mark: Mark) -> None:
        """Put a mark at a value; a small arrow tells that it lies beyond the axis."""
        x = self.x(value)
        self._above.append(
            Mark(x=x, y=self.y(row) + mark.y, ink=mark.ink, kind=mark.kind, size=mark.size, hint=mark.hint)
        )
        if value > self._high:
            self._above.append(Label(x=x + 4, y=self.y(row) + 4, text=">", ink=mark.ink, is_bold=True))
        elif value < self._low:
            self._above.append(Label(x=x - 9, y=self.y(row) + 4, text="<", ink=mark.ink, is_bold=True))

    def drawing(self, *, title: str, about: str) -> Drawing:
        """Finish the figure."""
        shapes: list[Shape] = [*self._below]
        for row in range(len(self._names) + 1):
            y = _TOP + self.pitch * row
            shapes.append(Line(points=((self.left, y), (self.right, y)), stroke=Ink.RULE, width=0.5))
        for value in ticks(self._low, self._high):
            if self._is_count and value != int(value):
                continue
            x = self.x(value)
            shapes.append(Line(points=((x, self.bottom), (x, self.bottom + 4)), stroke=Ink.SOFT))
            shapes.append(
                Label(x=x, y=self.bottom + 16, text=self._show(value), size=10, anchor="middle", ink=Ink.SOFT)
            )
        middle = (self.left + self.right) / 2
        shapes.append(Label(x=middle, y=self.bottom + 32, text=self._axis, anchor="middle", ink=Ink.SOFT))
        for row, name in enumerate(self._names):
            short = shortened(name, _MOST_LETTERS)
            hint = name[:400] if short != name else ""
            shapes.append(Label(x=self.left - 8, y=self.y(row) + 4, text=short, anchor="end", hint=hint))
        shapes.extend(self._above)
        return Drawing(width=self._width, height=self.bottom + _BOTTOM, shapes=tuple(shapes), title=title, about=about)


def ticks(low: float, high: float, *, about: int = 7) -> tuple[float, ...]:
    """Choose round values between two ends: steps of 1, 2 or 5 times a power of ten."""
    if not high > low or not math.isfinite(high - low):
        return (low,)
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = power * next(factor for factor in (1, 2, 5, 10) if factor * power >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return tuple(round(index * step, 12) + 0.0 for index in range(first, last + 1))


def span_of(values: Sequence[float], *, room: float = 0.08, least: float = 1e-12) -> tuple[float, float]:
    """Find ends of an axis that holds all values with some room."""
    low, high = min(values), max(values)
    extra = max((high - low) * room, least)
    return low - extra, high + extra
