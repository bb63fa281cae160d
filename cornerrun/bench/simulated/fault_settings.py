"""Trouble planted on purpose: the section ``faults`` of a simulation file."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from cornerrun.bench.simulated.quantities import (
    Natural,
    PositiveSeconds,
    Share,
    ZeroOrMoreSeconds,
    ZeroOrMoreVolts,
)
from cornerrun.plan.fields import FileModel, Name, Volts, Whole, refusal

__all__ = [
    "AbsurdMode",
    "BrownOut",
    "BusErrors",
    "BusEvent",
    "DeadDevice",
    "DeadSegment",
    "FaultSettings",
    "Occasion",
    "Reset",
    "Short",
    "StalePages",
    "Trip",
    "VoltageBand",
]

BusTroubleKind = Literal[
    "no_acknowledge", "pec_error", "page_flip", "page_lost", "arbitration_lost", "clock_stretch", "stuck"
]


class VoltageBand(FileModel):
    """A voltage at or below one bound, at or above another."""

    below: Volts | None = None
    above: Volts | None = None


class Occasion(FileModel):
    """When something planted happens; what is given must all be true.

    ``at`` is a time after the start of the bench, and alone it is the instant; with others, it does not happen before.
    ``when`` waits until each of some rails is in its band. ``visits`` are the numbers of visits, ``corner`` a pattern
    of corner names: with either it happens ``after`` the start of such a visit. ``serial`` is a pattern of serial
    numbers, ``only_on`` a kind of weak unit of ``population``. ``probability`` is drawn at each opportunity, ``times``
    is how often it happens at most.
    """

    at: ZeroOrMoreSeconds | None = None
    when: dict[str, VoltageBand] = Field(default_factory=dict)
    visits: tuple[Natural, ...] = ()
    corner: Name | None = None
    after: ZeroOrMoreSeconds = 0.0
    serial: Name | None = None
    only_on: Name | None = None
    probability: Share = 1.0
    times: Annotated[Whole, Field(ge=1)] = 1

    @property
    def is_timed(self) -> bool:
        """Whether anything says when."""
        return self.at is not None or bool(self.when or self.visits) or self.corner is not None

    @property
    def is_of_visits(self) -> bool:
        """Whether it waits for a visit."""
        return bool(self.visits) or self.corner is not None


class Trip(Occasion):
    """A planted trip of a rail's own protection; the rail shows the status bit of ``shows``."""

    rail: Name
    shows: Literal["ov_fault", "uv_fault", "oc_fault", "ot_fault"] = "uv_fault"


class Short(Occasion):
    """A short of a rail: it falls to a share of its voltage, and the page that makes it trips on over-current.

    ``share`` is what is left of the voltage, ``fall`` the time constant with which it falls and comes back, ``lasts``
    how long the short is there; None is for good.
    """

    rail: Name
    share: Share = 0.0
    fall: ZeroOrMoreSeconds = 2e-5
    lasts: PositiveSeconds | None = None


class BrownOut(Occasion):
    """A dip of the supply that feeds the board, down to a voltage; it comes back to where it was."""

    to: ZeroOrMoreVolts
    lasts: PositiveSeconds
    fall: ZeroOrMoreSeconds = 0.001


class DeadDevice(Occasion):
    """A manager that stops acknowledging its address; its outputs stay. ``lasts`` None is for good."""

    device: Name
    lasts: PositiveSeconds | None = None


class DeadSegment(Occasion):
    """Several managers that are cut off from their bus together: a multiplexer or a connector that failed."""

    devices: Annotated[tuple[Name, ...], Field(min_length=1)]
    lasts: PositiveSeconds | None = None


class Reset(Occasion):
    """A manager that loses its supply for an instant: its registers are those of its memory again."""

    device: Name


class AbsurdMode(Occasion):
    """A manager whose VOUT_MODE reads as a byte that makes no sense with its words."""

    device: Name
    byte: Annotated[Whole, Field(ge=0, le=0xFF)] = 0x00
    lasts: PositiveSeconds | None = None


class StalePages(FileModel):
    """A device whose readings may, for ``lasts`` after a change of PAGE, still be those of the page before."""

    device: Name
    lasts: PositiveSeconds
    chance: Share = 1.0


class BusErrors(FileModel):
    """Errors of a bus at a rate a message.

    A bit error turns one bit of the message over; a PEC error spoils the packet error code alone, where there is one.
    Before a page flip a second master has selected another page of the device; a lost page is 0 again. A stretched
    message takes ``stretch`` and times out. A stuck bus is busy for ``stuck_for``; getting it free writes a random byte
    to register 0x00, PAGE, of the device that was addressed.
    """

    bus: Name
    bit_errors: Share = 0.0
    no_acknowledge: Share = 0.0
    pec_errors: Share = 0.0
    page_flips: Share = 0.0
    page_lost: Share = 0.0
    arbitration_lost: Share = 0.0
    clock_stretches: Share = 0.0
    stuck: Share = 0.0
    stretch: PositiveSeconds = 0.035
    stuck_for: PositiveSeconds = 0.02


class BusEvent(FileModel):
    """One piece of trouble of a bus, by script.

    It meets the first message that fits: not before ``at``, the ``message`` of that number (the first of the bus is 1),
    to ``device``, with ``command`` (a PMBus name); and as many that follow and fit as ``times`` says. ``page`` is where
    a page flip leads.
    """

    bus: Name
    kind: BusTroubleKind
    at: ZeroOrMoreSeconds | None = None
    message: Annotated[Whole, Field(ge=1)] | None = None
    device: Name | None = None
    command: Name | None = None
    page: Annotated[Whole, Field(ge=0, le=31)] | None = None
    times: Annotated[Whole, Field(ge=1)] = 1

    @model_validator(mode="after")
    def _has_a_page_to_flip_to(self) -> Self:
        if self.page is not None and self.kind != "page_flip":
            raise refusal("only a page flip leads to a page", "leave out 'page'")
        return self


class FaultSettings(FileModel):
    """Trouble planted on purpose."""

    trips: tuple[Trip, ...] = ()
    shorts: tuple[Short, ...] = ()
    brown_outs: tuple[BrownOut, ...] = ()
    dead_devices: tuple[DeadDevice, ...] = ()
    dead_segments: tuple[DeadSegment, ...] = ()
    resets: tuple[Reset, ...] = ()
    absurd_modes: tuple[AbsurdMode, ...] = ()
    stale_pages: tuple[StalePages, ...] = ()
    bus_errors: tuple[BusErrors, ...] = ()
    bus_events: tuple[BusEvent, ...] = ()
