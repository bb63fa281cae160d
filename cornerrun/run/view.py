"""What a functional check is shown: the corner, and the readings taken there."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["CheckView", "RailView"]


@dataclass(frozen=True, kw_only=True, slots=True)
class RailView:
    """A rail at this visit, in volts; None where something was not measured."""

    level: str
    target_v: float
    setpoint_v: float | None
    telemetry_v: float | None
    reference_v: float | None
    current_a: float | None = None

    @property
    def best_v(self) -> float:
        """The most trusted voltage at hand: reference meter, else telemetry, else setpoint, else target."""
        for candidate in (self.reference_v, self.telemetry_v, self.setpoint_v):
            if candidate is not None:
                return candidate
        return self.target_v


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckView:
    """One trial of one check at one visit.

    ``levels`` and ``readings`` go by rail name, ``conditions`` by condition name in SI units. ``seed``, ``visit`` and
    ``trial`` let a simulated check draw the same again. ``unit`` is the row of the units file for this serial number,
    ``settings`` what the plan hands to this check, ``directory`` where the plan lies. ``board`` is what a bench
    simulated in this process tells of its board; on hardware it is empty.
    """

    check: str
    corner: str
    levels: Mapping[str, str]
    readings: Mapping[str, RailView]
    conditions: Mapping[str, float]
    visit: int
    trial: int
    seed: int
    serial: str
    directory: Path
    unit: Mapping[str, str] = field(default_factory=dict)
    settings: Mapping[str, str] = field(default_factory=dict)
    board: Mapping[str, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The name of the corner."""
        return self.corner
