"""Which corners a plan asks for, and in which order, as frozen data."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

__all__ = [
    "AllRails",
    "ControlPoints",
    "CornerChoice",
    "Covering",
    "ForbiddenAt",
    "FullFactorial",
    "NamedCorner",
    "Scheme",
    "Screening",
    "SingleRail",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlPoints:
    """When the run visits nominal to show that board and bench are as they were.

    ``every`` counts visits that are not control points, over the whole run; None means never. ``drift_ratio`` is how
    far a control point's reference reading may lie from the first's.
    """

    first: bool = True
    every: int | None = None
    last: bool = True
    drift_ratio: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class AllRails:
    """Every rail at the same level, one corner a level."""

    levels: tuple[str, ...]
    kind: Literal["all_rails"] = "all_rails"


@dataclass(frozen=True, kw_only=True, slots=True)
class SingleRail:
    """One rail off nominal at a time; ``rails`` None means every rail that has the level."""

    levels: tuple[str, ...]
    rails: tuple[str, ...] | None = None
    kind: Literal["single_rail"] = "single_rail"


@dataclass(frozen=True, kw_only=True, slots=True)
class FullFactorial:
    """Every combination of the levels of the rails named."""

    rails: tuple[str, ...]
    levels: tuple[str, ...]
    kind: Literal["full_factorial"] = "full_factorial"


@dataclass(frozen=True, kw_only=True, slots=True)
class Covering:
    """A covering array: every combination of levels of any ``strength`` factors is met in at least ``times`` corners.

    Factors are rails, those of each of ``together`` being one, and ``conditions``, which else are no factors: then
    every corner is visited at every combination of them. ``include`` are corners that must be in; rails that one does
    not name are filled as covering needs it.
    """

    strength: int
    levels: tuple[str, ...]
    rails: tuple[str, ...] | None = None
    times: int = 1
    together: tuple[tuple[str, ...], ...] = ()
    conditions: tuple[str, ...] = ()
    include: tuple[Mapping[str, str], ...] = ()
    kind: Literal["covering"] = "covering"


@dataclass(frozen=True, kw_only=True, slots=True)
class Screening:
    """A screening design over rails at two levels, the first standing for -1: main effects from few corners.

    ``resolution`` chooses a fractional factorial of that resolution, None a Plackett-Burman design. ``fold_over`` adds
    every corner with its levels swapped.
    """

    levels: tuple[str, str]
    rails: tuple[str, ...] | None = None
    resolution: int | None = None
    fold_over: bool = False
    kind: Literal["screening"] = "screening"


@dataclass(frozen=True, kw_only=True, slots=True)
class NamedCorner:
    """One corner spelled out; rails not named are nominal. Groups are already spelled out as their members."""

    name: str
    levels: Mapping[str, str]
    kind: Literal["named"] = "named"


@dataclass(frozen=True, kw_only=True, slots=True)
class ForbiddenAt:
    """Levels of rails, by those that are commanded, that must not be together at levels of conditions.

    Without ``levels`` the conditions themselves must not be together.
    """

    levels: Mapping[str, str]
    conditions: Mapping[str, str]


Scheme = AllRails | SingleRail | FullFactorial | Covering | Screening | NamedCorner


@dataclass(frozen=True, kw_only=True, slots=True)
class CornerChoice:
    """Which corners, and what must not be: each of ``forbidden`` is a combination of levels by rail.

    ``forbidden_at`` are those that hold at levels of conditions. ``conditions`` are the combinations of conditions that
    are visited, where a condition that one does not name may be at any of its levels; without any all are.

    ``order`` says how the corners of one sweep follow each other: None is scheme by scheme, each fastest.
    ``seed`` is what it draws with; None is the run's own. ``staged`` makes stages of the schemes and says, by kind of
    scheme, after which outcome the stages end: "any failure", "every failure" or, for kinds not named, "never".
    """

    schemes: tuple[Scheme, ...]
    control_points: ControlPoints
    forbidden: tuple[Mapping[str, str], ...] = ()
    via_nominal: bool = False
    repeats: int = 1
    order: Literal["as written", "fastest", "shuffled", "blocked"] | None = None
    seed: int | None = None
    staged: Mapping[str, str] | None = None
    forbidden_at: tuple[ForbiddenAt, ...] = ()
    conditions: tuple[Mapping[str, str], ...] = ()
