"""What is set besides rails, and what holds only at some of its levels, as frozen data."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

__all__ = ["Condition", "Settle", "SettleAt", "strictest"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Condition:
    """What is set besides rails: its unit and its levels by name, in the unit's SI value.

    ``allow`` says, by level of the condition and by commanded rail, which levels that rail may take there; nominal
    always, and every level where nothing is said. ``ramp_per_s`` is how fast it may change at most, in units a second.
    ``cold_boots`` are the levels that it changes to while the board is off. At the end it is brought to ``rest``, if
    that is given, and the run waits until it is there. ``dew_point_degc`` is that of the air which the board meets when
    somebody takes it out. ``takes_s`` is how long a change is expected to take, where its driver cannot tell.
    """

    name: str
    unit: str
    levels: Mapping[str, float]
    allow: Mapping[str, Mapping[str, tuple[str, ...]]] = field(default_factory=dict)
    ramp_per_s: float | None = None
    cold_boots: tuple[str, ...] = ()
    rest: float | None = None
    dew_point_degc: float | None = None
    takes_s: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Settle:
    """A rail is settled within ``band_ratio`` of the target, for ``stable_for_s``, before ``timeout_s``."""

    band_ratio: float
    stable_for_s: float
    timeout_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class SettleAt:
    """How a rail settles while a condition is at a level; what is None stays as it is elsewhere."""

    condition: str
    level: str
    band_ratio: float | None = None
    stable_for_s: float | None = None
    timeout_s: float | None = None


def strictest(lower: Iterable[float | None], upper: Iterable[float | None]) -> tuple[float | None, float | None]:
    """Tell the range that lies inside every range: the greatest lower limit and the least upper one, None if open."""
    return (
        max((limit for limit in lower if limit is not None), default=None),
        min((limit for limit in upper if limit is not None), default=None),
    )
