"""Columns of plain text."""

from collections.abc import Sequence

__all__ = ["one_line", "percent", "plus_minus", "table"]


_LEAST_LAST = 36  # chosen: a reason cut shorter says nothing; a long name then makes the line longer instead


def table(header: Sequence[str], rows: Sequence[Sequence[str]], *, width: int) -> list[str]:
    """Set rows in columns; the last takes what is left of ``width`` and is cut there with three dots.

    It keeps 36 characters even so. Line breaks and other control characters in a cell become spaces: a cell cannot
    break out of its line.
    """
    clean = [[one_line(cell) for cell in row] for row in rows]
    widths = [max(len(row[i]) for row in [list(header), *clean]) for i in range(len(header))]
    left = max(_LEAST_LAST, width - sum(w + 2 for w in widths[:-1]))
    widths[-1] = min(widths[-1], left)
    lines = [header, ["-" * w for w in widths], *clean]
    return ["  ".join(_fit(cell, w) for cell, w in zip(line, widths, strict=True)).rstrip() for line in lines]


def one_line(text: str) -> str:
    """Put spaces for line breaks and other control characters: text from a check or a file cannot steer a terminal."""
    return "".join(character if character.isprintable() else " " for character in text)


def _fit(text: str, width: int) -> str:
    return (text if len(text) <= width else text[: width - 3] + "...").ljust(width)


def percent(share: float) -> str:
    """Write a share with two decimals of a per cent, so that columns align: 0.9 -> "90.00 %"."""
    return f"{share * 100:.2f} %"


def plus_minus(estimate: float, half_width: float, *, scale: float, unit: str) -> str:
    """Write an estimate and its expanded uncertainty, both to the second significant digit of the uncertainty.

    Source of the rounding: JCGM 100:2008, 7.2.6.
    """
    value, reach = estimate * scale, half_width * scale
    if reach <= abs(value) * 1e-9:  # nothing but rounding of floats
        return f"{value:+.4g} ± 0 {unit}"
    exponent = f"{reach:.1e}"
    decimals = max(0, 1 - int(exponent.partition("e")[2]))
    return f"{value:+.{decimals}f} ± {reach:.{decimals}f} {unit}"
