"""Each level of each rail: wished for, encoded, decoded again, and what that leaves to the hard limits."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

from cornerrun.bench.pmbus.codec import PageFormat
from cornerrun.bench.pmbus.formats import VoutKind, VoutMode
from cornerrun.bench.pmbus.profile import Profile
from cornerrun.errors import FormatError
from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.preflight.device_values import DeviceValues

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
    """The rows of one rail, nominal first.

    ``page_format`` is how its words are read, None where nobody says; ``values`` what its device holds, if it was
    asked. With ``by_command`` the device is moved by VOUT_COMMAND itself, not by its margin registers.
    """

    rail: Rail
    page_format: PageFormat | None
    rows: tuple[LevelRow, ...]
    values: DeviceValues | None = None
    by_command: bool = False

    def register(self, level: str) -> str:
        """Name the register that holds a level."""
        is_margin = level != NOMINAL and not self.by_command
        return _margin_register(self.rail, level) if is_margin else "VOUT_COMMAND"

    def is_ratio(self, level: str) -> bool:
        """Whether the word of a level is a ratio to VOUT_COMMAND."""
        return self.page_format is not None and self.page_format.is_ratio(self.register(level))

    def limits_v(self, level: str) -> Mapping[str, float]:
        """The limits that the device keeps while the rail is at a level: its own where it was read, else the plan's.

        Ratios go with VOUT_COMMAND (PMBus 1.3), so a device that is moved by it takes them along. What the plan's
        overrides widen counts as widened.
        """
        limits = dict(self._kept_v(level))
        for name, widened_v in (self.rail.widened.limits_v if self.rail.widened is not None else {}).items():
            if name in limits:
                outer = max if name.startswith("ov") else min
                limits[name] = outer(limits[name], widened_v)
        return limits

    def _kept_v(self, level: str) -> Mapping[str, float]:
        if self.values is None:
            return self.rail.device_limits
        limits = {**self.rail.device_limits, **self.values.limits_v}
        for name in self.values.unset:
            limits.pop(name, None)
        if self.by_command and self.values.command_v:
            share = (self.row(level).setpoint_v - self.values.trim_v) / self.values.command_v
            limits |= {name: limits[name] * share for name in self.values.ratios & limits.keys()}
        return limits

    def row(self, level: str) -> LevelRow:
        """Look up a level; KeyError if the rail has none of that name."""
        for row in self.rows:
            if row.level == level:
                return row
        raise KeyError(level)


def level_table(
    plan: Plan,
    vout_modes: Mapping[str, int],
    profiles: Mapping[str, Profile] | None = None,
    values: Mapping[str, DeviceValues] | None = None,
) -> tuple[LevelRow, ...]:
    """Work out every level of every rail, in plan order.

    ``values`` is what devices hold, by rail name. Where there are none, ``vout_modes`` gives VOUT_MODE bytes by rail
    name; the plan's own stand before those.
    """
    found = rail_levels(plan, vout_modes, profiles or {}, values or {})
    return tuple(row for rail in found for row in rail.rows)


def rail_levels(
    plan: Plan,
    vout_modes: Mapping[str, int],
    profiles: Mapping[str, Profile],
    values: Mapping[str, DeviceValues],
    steps_v: Mapping[str, float] = MappingProxyType({}),
) -> tuple[RailLevels, ...]:
    """Work out the levels of every rail, in plan order; a rail that hardware makes follow another goes with it.

    ``steps_v`` are the voltage steps of supplies, by the rails that they make: a code counts those.
    """
    found: dict[str, RailLevels] = {}
    leaders = [rail for rail in plan.rails if rail.tracks is None]
    for rail in leaders:
        held = values.get(rail.name)
        byte = held.vout_mode if held is not None else vout_modes.get(rail.name)
        profile = profiles.get(plan.devices[rail.power.device].profile) if rail.power is not None else None
        bare = RailLevels(
            rail=rail,
            page_format=_page_format(plan, rail, byte, profile, is_read=held is not None),
            rows=(),
            values=held,
            by_command=profile is not None and profile.by_command,
        )
        found[rail.name] = replace(bare, rows=_encoded(bare, steps_v.get(rail.name)))
    for rail in plan.rails:
        if rail.tracks is not None:
            rows = _following(rail, found[rail.tracks.rail], rail.tracks.ratio)
            # A page that only measures a rail which follows another may watch it with limits of its own.
            found[rail.name] = RailLevels(rail=rail, page_format=None, rows=rows, values=values.get(rail.name))
    return tuple(found[rail.name] for rail in plan.rails)


def _page_format(
    plan: Plan, rail: Rail, byte: int | None, profile: Profile | None, *, is_read: bool
) -> PageFormat | None:
    if rail.power is None:
        return None
    expected = plan.devices[rail.power.device].vout_mode
    if not is_read and expected is not None:
        byte = expected
    if byte is None:
        return None
    if profile is None:
        return PageFormat(mode=VoutMode.from_byte(byte))
    made = profile.page_format(rail.power.page, byte)
    # Coefficients that the device itself tells are known only once it is asked.
    is_open = made.mode.kind is VoutKind.DIRECT and made.mode.direct is None and profile.reads_coefficients
    return None if is_open else made


def _encoded(found: RailLevels, step_v: float | None) -> tuple[LevelRow, ...]:
    rail, page_format, held = found.rail, found.page_format, found.values
    rows: list[LevelRow] = []
    command_v, trim_v = (held.command_v, held.trim_v) if held is not None else (rail.nominal_v, 0.0)
    for level, target_v in rail.levels.items():
        if rail.maker is None:
            rows.append(_row(rail, level, "not commanded"))
        elif step_v is not None:
            word = round(target_v / step_v)
            rows.append(_row(rail, level, "ok", word=word, decoded_v=word * step_v))
        elif page_format is None:
            rows.append(_row(rail, level, "code unknown"))
        elif level == NOMINAL and held is not None:
            # Nominal is never written: what the device holds is what it is.
            rows.append(_row(rail, level, "ok", word=held.command_word, decoded_v=command_v + trim_v))
        else:
            register = found.register(level)
            base_v = command_v if found.is_ratio(level) else 1.0
            try:
                word = page_format.encode(register, (target_v - trim_v) / base_v)
                decoded_v = page_format.decode(register, word) * base_v
            except FormatError as error:
                rows.append(_row(rail, level, "not encodable", why=str(error)))
                continue
            if level == NOMINAL:
                command_v = decoded_v
            rows.append(_row(rail, level, "ok", word=word, decoded_v=decoded_v + trim_v))
    return tuple(rows)


def _margin_register(rail: Rail, level: str) -> str:
    return "VOUT_MARGIN_HIGH" if rail.levels[level] > rail.nominal_v else "VOUT_MARGIN_LOW"


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
