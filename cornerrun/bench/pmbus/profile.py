"""Device profiles: what a kind of power manager has and how it wants to be spoken to, as data.

A profile is a YAML file, beside the plan or in the package (`generic`). Only commands that it declares are ever sent.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.formats import Direct
from cornerrun.bench.pmbus.operation import Side, is_acting_on_faults, margin_of
from cornerrun.errors import PlanError, PlanProblems, Problem
from cornerrun.plan.document import load_document
from cornerrun.plan.fields import FileModel, Name, Seconds, Whole, refusal
from cornerrun.plan.model import Source
from cornerrun.plan.nearest import suggestion

__all__ = ["Delays", "Profile", "load_profile", "profile_names"]

PACKAGED = Path(__file__).parent / "profiles"
_MOVING_A_RAIL = ("OPERATION", "VOUT_MODE", "VOUT_COMMAND", "VOUT_MARGIN_HIGH", "VOUT_MARGIN_LOW")
_READING_A_RAIL = ("STATUS_WORD", "READ_VOUT")


@dataclass(frozen=True, kw_only=True, slots=True)
class Delays:
    """How long a device must be left alone: after any message, after a write, after a change of PAGE."""

    access_s: float = 0.0
    write_s: float = 0.0
    page_change_s: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Profile:
    """A kind of device.

    ``pages`` is how many pages it may have; exactly how many if ``broadcast``, which allows PAGE 0xFF. ``required``
    registers must answer; an ``optional`` one that is not acknowledged when it is first read is taken not to be there.
    ``operation_high`` and ``operation_low`` carry the margin and fault-response bits (5:2) to be used.
    """

    name: str
    title: str
    source: Source
    pages: int
    scan_s: float
    broadcast: bool
    operation_high: int
    operation_low: int
    required: frozenset[str]
    optional: frozenset[str]
    delays: Delays
    direct: Direct | None

    @property
    def has_page(self) -> bool:
        """Whether PAGE exists; a device with one rail may have none."""
        return "PAGE" in self.required

    def declares(self, name: str) -> bool:
        """Whether a command may be sent."""
        return name in self.required or name in self.optional

    def operation(self, side: Side) -> int:
        """The OPERATION bits that select a source."""
        return {Side.NOMINAL: 0x00, Side.LOW: self.operation_low, Side.HIGH: self.operation_high}[side]


def _known(name: str) -> str:
    if name not in COMMANDS:
        raise refusal(f"{name!r} is no command that may be sent", suggestion(name, COMMANDS))
    return name


Register = Annotated[Name, AfterValidator(_known)]
Byte = Annotated[Whole, Field(ge=0, le=0xFF)]
Period = Annotated[Seconds, Field(gt=0)]
Delay = Annotated[Seconds, Field(ge=0)]


class _DelaysFile(FileModel):
    access: Delay = 0.0
    write: Delay = 0.0
    page_change: Delay = 0.0


class _DirectFile(FileModel):
    m: int
    b: int
    r: int


class _MarginFile(FileModel):
    high: Byte
    low: Byte


class _RegistersFile(FileModel):
    required: tuple[Register, ...]
    optional: tuple[Register, ...] = ()


class ProfileFile(FileModel):
    """A profile as it stands in its file."""

    format: Literal["1"]
    title: Name
    pages: Annotated[int, Field(ge=1, le=32)]
    scan_period: Period
    broadcast: bool = False
    margin: _MarginFile
    registers: _RegistersFile
    delays: _DelaysFile = Field(default_factory=_DelaysFile)
    vout_direct: _DirectFile | None = None


def profile_names(directory: Path) -> tuple[str, ...]:
    """List the profiles at hand for a plan in ``directory``."""
    return tuple(sorted({path.stem for folder in (directory, PACKAGED) for path in folder.glob("*.yaml")}))


def load_profile(name: str, directory: Path) -> Profile:
    """Load a profile by name: ``NAME.yaml`` in ``directory``, else in its folder ``profiles``, else the packaged one.

    Raises:
        PlanProblems: the file has problems, each with its position.
        PlanError: there is no such profile.

    """
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9 _.-]*", name):
        raise PlanError(f"profile {name!r} is no name of a profile; write the file's name without '.yaml'")
    for folder in (directory, directory / "profiles", PACKAGED):
        path = folder / f"{name}.yaml"
        if path.is_file():
            return _load(name, path)
    packaged = ", ".join(sorted(path.stem for path in PACKAGED.glob("*.yaml")))
    raise PlanError(f"there is no profile {name!r}: no {directory / name}.yaml, and the package has {packaged}")


def _load(name: str, path: Path) -> Profile:
    document = load_document(path, ProfileFile, role="profile")
    model = document.model
    required = frozenset(model.registers.required)
    problems: list[Problem] = []
    missing = [register for register in (*_MOVING_A_RAIL, *_READING_A_RAIL) if register not in required]
    if missing:
        problems.append(
            document.problem(
                ("registers", "required"),
                f"lacks {_listed(missing)}",
                "a rail can't be moved and watched without; add what the device has, or use another driver",
            )
        )
    if "PAGE" not in required and model.pages > 1:
        problems.append(document.problem(("pages",), f"{model.pages} pages, and PAGE is not required", "require PAGE"))
    for key, side, byte in (("high", Side.HIGH, model.margin.high), ("low", Side.LOW, model.margin.low)):
        if margin_of(byte) is not side or not is_acting_on_faults(byte):
            wanted = "0xA8" if side is Side.HIGH else "0x98"
            problems.append(
                document.problem(
                    ("margin", key),
                    f"0x{byte:02X} does not select margin {key} and act on faults",
                    f"write {wanted}: bits 5:4 select the margin, bits 3:2 = 10 keep the device's protection",
                )
            )
    if problems:
        raise PlanProblems(tuple(problems))
    direct = model.vout_direct
    return Profile(
        name=name,
        title=model.title,
        source=document.source,
        pages=model.pages,
        scan_s=model.scan_period,
        broadcast=model.broadcast,
        operation_high=model.margin.high,
        operation_low=model.margin.low,
        required=required,
        optional=frozenset(model.registers.optional) - required,
        delays=Delays(access_s=model.delays.access, write_s=model.delays.write, page_change_s=model.delays.page_change),
        direct=None if direct is None else Direct(direct.m, direct.b, direct.r),
    )


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names)
