"""What a plan asks of a characterisation of trim accuracy, checked and in SI units."""

from dataclasses import dataclass

__all__ = ["Declared", "TrimSweep", "WarmUp"]


@dataclass(frozen=True, kw_only=True, slots=True)
class WarmUp:
    """A board is warm once nominal drifts by less than ``drift_ratio`` over ``over_s``; waited for up to a time-out."""

    drift_ratio: float
    over_s: float
    timeout_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Declared:
    """A part of the uncertainty of trim errors that readings cannot show: anywhere in plus and minus ``half_width_v``.

    ``rails`` None means every rail.
    """

    name: str
    half_width_v: float
    rails: tuple[str, ...] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class TrimSweep:
    """A characterisation of trim accuracy.

    ``rails`` are those whose setpoints are visited, each leading the rails tied to it. ``levels`` are the setpoints'
    levels, rising, nominal in the middle; a rail without one of them stays at nominal there. Each of ``repeats`` goes
    up once and down once. ``together``: all rails at the same setpoint; else one rail after the other.
    """

    rails: tuple[str, ...]
    levels: tuple[str, ...]
    repeats: int
    together: bool
    warm_up: WarmUp | None = None
    declared: tuple[Declared, ...] = ()
