"""What a plan does against the usual cautions: each kind with its reason, and nothing without a named person's word."""

from collections.abc import Iterator, Mapping
from typing import Annotated

from pydantic import Field, model_validator

from cornerrun.plan.amounts import Amount, AmountText
from cornerrun.plan.cross import Board, volts
from cornerrun.plan.fields import FileModel, Name, Text, refusal
from cornerrun.plan.model import HardLimits, Override, Widened
from cornerrun.plan.rail_file import volts_of

__all__ = ["OverridesFile", "check_overrides", "ignoring_rails", "overrides_of", "widened_of"]


class ReasonFile(FileModel):
    """Why a thing is done that nobody should do without a reason."""

    because: Text = Field(examples=["the meter is at the laboratory until Friday"])


class IgnoredFaultsFile(ReasonFile):
    """Rails that are margined with their device told to ignore their faults meanwhile."""

    rails: Annotated[tuple[Name, ...], Field(min_length=1)] = Field(examples=["[VDDQ]"])


class WidenedFile(FileModel):
    """Limits of a device, moved away from the rail for as long as the run moves it; volatile, put back at the end."""

    ov_fault: AmountText | None = None
    ov_warn: AmountText | None = None
    uv_warn: AmountText | None = None
    uv_fault: AmountText | None = None

    @model_validator(mode="after")
    def _any(self) -> "WidenedFile":
        if not self.model_fields_set:
            raise refusal("no limit is given", "write one, such as '{uv_fault: -12 %}'")
        return self

    def given(self) -> Iterator[tuple[str, Amount]]:
        """Give the limits that are given, by name."""
        for name in ("ov_fault", "ov_warn", "uv_warn", "uv_fault"):
            amount = getattr(self, name)
            if isinstance(amount, Amount):
                yield name, amount


class WidenedLimitsFile(ReasonFile):
    """Which limits are moved, by rail."""

    rails: Annotated[dict[Name, WidenedFile], Field(min_length=1)] = Field(examples=["{VDDQ: {uv_fault: -12 %}}"])


class OverridesFile(FileModel):
    """What is done against the usual cautions. Each asks for a named person's confirmation at every run."""

    expired_calibration: ReasonFile | None = None
    ignored_faults: IgnoredFaultsFile | None = None
    widened_limits: WidenedLimitsFile | None = None


def check_overrides(board: Board, file: OverridesFile | None, limits: Mapping[int, HardLimits]) -> None:
    """Add every problem: unknown rails, rails that nobody commands, limits beyond the hard limits."""
    if file is None:
        return
    if file.ignored_faults is not None:
        for place, name in enumerate(file.ignored_faults.rails):
            board.members(name, ("overrides", "ignored_faults", "rails", place))
    if file.widened_limits is None:
        return
    for name, widened in file.widened_limits.rails.items():
        loc = ("overrides", "widened_limits", "rails", name)
        if name not in board.rail_index:
            board.members(name, loc, at_key=True)
            continue
        index = board.rail_index[name]
        if index not in limits:
            continue
        nominal_v, hard = board.rails[index].nominal, limits[index]
        for limit, amount in widened.given():
            limit_v = volts_of(amount, nominal_v)
            if not hard.min_v <= limit_v <= hard.max_v:
                came = f"{volts(limit_v)} is beyond the hard limits, {volts(hard.min_v)} to {volts(hard.max_v)}"
                board.add((*loc, limit), came, "widen no further than those")


def overrides_of(file: OverridesFile | None, groups: Mapping[str, tuple[str, ...]]) -> tuple[Override, ...]:
    """Name the overrides of a plan, each with its reason."""
    found: list[Override] = []
    if file is None:
        return ()
    if file.expired_calibration is not None:
        found.append(Override(kind="expired calibration", because=file.expired_calibration.because))
    if file.ignored_faults is not None:
        rails = ignoring_rails(file, groups)
        found.append(Override(kind="faults ignored", because=file.ignored_faults.because, rails=rails))
    if file.widened_limits is not None:
        rails = tuple(file.widened_limits.rails)
        found.append(Override(kind="limits widened", because=file.widened_limits.because, rails=rails))
    return tuple(found)


def ignoring_rails(file: OverridesFile | None, groups: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """Name the rails whose faults are ignored, groups spelled out."""
    if file is None or file.ignored_faults is None:
        return ()
    return tuple(dict.fromkeys(rail for name in file.ignored_faults.rails for rail in groups.get(name, (name,))))


def widened_of(file: OverridesFile | None, rail: str, nominal_v: float) -> Widened | None:
    """Tell the widened limits of a rail in volts; None if it has none."""
    if file is None or file.widened_limits is None or rail not in file.widened_limits.rails:
        return None
    given = file.widened_limits.rails[rail].given()
    return Widened(limits_v={name: volts_of(amount, nominal_v) for name, amount in given})
