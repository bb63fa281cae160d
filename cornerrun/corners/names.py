"""How corners are called, and which corner a person means by a name."""

from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase

from cornerrun.corners.model import ConditionLevel, Corner
from cornerrun.corners.trim import TRIM
from cornerrun.plan.model import NOMINAL, At

__all__ = ["conditions_suffix", "fits", "is_at", "level_name", "names_of"]


def level_name(levels: Mapping[str, str]) -> str:
    """Name a corner by the rails that are off nominal: "VDD_CORE low, VDD_IO high", or "nominal"."""
    off = [f"{rail} {level}" for rail, level in levels.items() if level != NOMINAL]
    return ", ".join(off) or NOMINAL


def conditions_suffix(conditions: Sequence[ConditionLevel]) -> str:
    """Tell what is added to a corner's name where the plan has conditions: " @ ambient hot, input_voltage low"."""
    return f" @ {', '.join(f'{item.condition} {item.level}' for item in conditions)}" if conditions else ""


def names_of(corner: Corner) -> tuple[str, ...]:
    """List every name that means this corner: its own, its aliases, and each without the conditions."""
    suffix = conditions_suffix(corner.conditions)
    full = (corner.name, *corner.aliases)
    return tuple(dict.fromkeys([*full, *(name.removesuffix(suffix) for name in full)]))


def is_at(at: At, corner: Corner) -> bool:
    """Whether a check that names its corners and conditions runs at this corner.

    A name without conditions means the corner at all of them. Shell patterns work; letter case counts. A check that
    names no corner does not run at those that only characterise trim accuracy.
    """
    if at.corners is None and corner.scheme == TRIM:
        return False
    if at.corners is not None and not any(fits(text, corner) for text in at.corners):
        return False
    levels = {item.condition: item.level for item in corner.conditions}
    return all(levels.get(name) in wanted for name, wanted in (at.conditions or {}).items())


def fits(text: str, corner: Corner) -> bool:
    """Whether a name or shell pattern means this corner."""
    names = names_of(corner)
    return text in names or any(fnmatchcase(name, text) for name in names)
