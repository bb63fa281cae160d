"""Each level of each rail: wished for, encoded, decoded again, and what that leaves to the hard limits."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from cornerrun.bench.pmbus.formats import VoutMode
from cornerrun.bench.pmbus.profile import Profile
from cornerrun.errors import FormatError
from cornerrun.plan.model import NOMINAL, Plan, Rail

__all__ = ["LevelRow", "RailLevels", "level_table", "rail_levels"]

Verdict = Literal["ok", "beyond hard limit", "not encodable", "code unknown", "not commanded"]


@dataclass(frozen=True, kw_only=True, slots=True)
class LevelRow:
    """One level of one rail, in volts.

    ``word`` and ``decoded_v`` are None where the device's format is unknown or does not hold the level, or where no
    device makes the rail; then the target stands for what will be. ``error_v`` is decoded less target, ``error_share``
    its size as a share of the margin; None at nominal. ``headroom_share`` is the room that is left to the nearer hard
    limit on the level's side once accuracy is taken off, as a share of nominal's room there; below 0 the level may
    cross the limit.
    """

    rail: str
    level: str
    target_v: float
    word: int | None
    decoded_v: float | None
    error_v: float | None
    error_share: float | None
    headroom_v: float
    headroom_share: float
    verdict: Verdict
    why: str = ""

    @property
    def setpoint_v(self) -> float:
        """What the rail will be asked for: the decoded word where it is known, else the target."""
        return self.target_v if self.decoded_v is None else self.decoded_v


@dataclass(frozen=True, kw_only=True, slots=True)
class RailLevels:
    """The rows of one rail, nominal first. ``mode`` is how its words are read, None where nobody says."""

    rail: Rail
    mode: VoutMode | None
    rows: tuple[LevelRow, ...]

    def row(self, level: str) -> LevelRow:
        """Look up a level; KeyError if the rail has none of that name."""
        for row in self.rows:
            if row.level == level:
                return row
        raise KeyError(level)


def level_table(
    plan: Plan, vout_modes: Mapping[str, int], profiles: Mapping[str, Profile] | None = None
) -> tuple[LevelRow, ...]:
    """Work out every level of every rail, in plan order.

    ``vout_modes`` gives VOUT_MODE bytes by rail name, as read from a bench; the plan's own stand where it gives none.
    """
    return tuple(row for found in rail_levels(plan, vout_modes, profiles or {}) for row in found.rows)


def rail_levels(plan: Plan, vout_modes: Mapping[str, int], profiles: Mapping[str, Profile]) -> tuple[RailLevels, ...]:
    """Work out the levels of every rail, in plan order; a rail that hardware makes follow another goes with it."""
    found: dict[str, RailLevels] = {}
    leaders = [rail for rail in plan.rails if rail.tracks is None]
    for rail in leaders:
        mode = _mode(plan, rail, vout_modes, profiles)
        found[rail.name] = RailLevels(rail=rail, mode=mode, rows=_encoded(rail, mode))
    for rail in plan.rails:
        if rail.tracks is not None:
            found[rail.name] = RailLevels(
                rail=rail, mode=None, rows=_following(rail, found[rail.tracks.rail], rail.tracks.ratio)
            )
    return tuple(found[rail.name] for rail in plan.rails)


def _mode(plan: Plan, rail: Rail, vout_modes: Mapping[str, int], profiles: Mapping[str, Profile]) -> VoutMode | None:
    if rail.power is None:
        return None
    device = plan.devices[rail.power.device]
    byte = device.vout_mode if device.vout_mode is not None else vout_modes.get(rail.name)
    if byte is None:
        return None
    profile = profiles.get(device.profile)
    return VoutMode.from_byte(byte, direct=profile.direct if profile else None)


def _encoded(rail: Rail, mode: VoutMode | None) -> tuple[LevelRow, ...]:
    rows: list[LevelRow] = []
    nominal_v = rail.nominal_v
    for level, target_v in rail.levels.items():
        if rail.power is None:
            rows.append(_row(rail, level, "not commanded"))
        elif mode is None:
            rows.append(_row(rail, level, "code unknown"))
        else:
            is_ratio = mode.is_relative and level != NOMINAL
            try:
                # PMBus 1.3: margin words are ratios to VOUT_COMMAND where VOUT_MODE bit 7 is set.
                word = mode.encode(target_v / nominal_v if is_ratio else target_v)
                decoded_v = mode.decode(word) * (nominal_v if is_ratio else 1.0)
            except FormatError as error:
                rows.append(_row(rail, level, "not encodable", why=str(error)))
                continue
            if level == NOMINAL:
                nominal_v = decoded_v
            rows.append(_row(rail, level, "ok", word=word, decoded_v=decoded_v))
    return tuple(rows)


def _following(rail: Rail, leader: RailLevels, ratio: float) -> tuple[LevelRow, ...]:
    rows = []
    for level in rail.levels:
        led = leader.row(level).decoded_v
        rows.append(_row(rail, level, "not commanded", decoded_v=None if led is None else led * ratio))
    return tuple(rows)


def _row(
    rail: Rail,
    level: str,
    verdict: Verdict,
    *,
    word: int | None = None,
    decoded_v: float | None = None,
    why: str = "",
) -> LevelRow:
    target_v = rail.levels[level]
    setpoint_v = target_v if decoded_v is None else decoded_v
    error_v = None if decoded_v is None else decoded_v - target_v
    margin_v = abs(target_v - rail.nominal_v)
    limits, reach_v = rail.hard_limits, setpoint_v * rail.accuracy_ratio
    above_v, below_v = limits.max_v - setpoint_v - reach_v, setpoint_v - reach_v - limits.min_v
    is_high = target_v > rail.nominal_v or (target_v == rail.nominal_v and above_v < below_v)
    headroom_v, room_v = (
        (above_v, limits.max_v - rail.nominal_v) if is_high else (below_v, rail.nominal_v - limits.min_v)
    )
    slack_v = 1e-9  # chosen: the rounding of a difference of two floats, far below any register's step
    if min(above_v, below_v) < -slack_v:
        headroom_v, verdict = min(above_v, below_v), "beyond hard limit"
    return LevelRow(
        rail=rail.name,
        level=level,
        target_v=target_v,
        word=word,
        decoded_v=decoded_v,
        error_v=error_v,
        error_share=abs(error_v) / margin_v if error_v is not None and margin_v > 0 else None,
        headroom_v=headroom_v,
        headroom_share=headroom_v / room_v if room_v > 0 else 0.0,
        verdict=verdict,
        why=why,
    )
