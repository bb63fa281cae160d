"""Device profiles: what a kind of power manager has and how it wants to be spoken to, as data.

A profile is a YAML file, beside the plan or in the package (`generic`). Only commands that it declares are ever sent.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from cornerrun.bench.pmbus.codec import Codec, Half, Linear11, PageFormat, SameAs
from cornerrun.bench.pmbus.commands import Numbers
from cornerrun.bench.pmbus.delays import Delays
from cornerrun.bench.pmbus.fault_stamps import LogLayout
from cornerrun.bench.pmbus.formats import Direct, Vid, VoutMode
from cornerrun.bench.pmbus.operation import Side, is_acting_on_faults, margin_of
from cornerrun.bench.pmbus.profile_file import FaultLogFile, FormatFile, ProfileFile
from cornerrun.bench.pmbus.vid import VidSpan
from cornerrun.errors import FormatError, PlanError, PlanProblems, Problem
from cornerrun.plan.document import Document, load_document
from cornerrun.plan.model import Source

__all__ = ["FaultLog", "Profile", "load_profile", "profile_names"]

PACKAGED = Path(__file__).parent / "profiles"
_MOVING_A_RAIL = ("OPERATION", "VOUT_MODE", "VOUT_COMMAND")
_BY_MARGIN_REGISTERS = ("VOUT_MARGIN_HIGH", "VOUT_MARGIN_LOW")
_READING_A_RAIL = ("STATUS_WORD", "READ_VOUT")
_FORMATS: Mapping[str, Codec | SameAs] = {
    "linear11": Linear11(),
    "half": Half(),
    "vout": SameAs(Numbers.VOUT),
    "vout signed": SameAs(Numbers.VOUT_SIGNED),
    "vout or ratio": SameAs(Numbers.VOUT_RATIO),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class FaultLog:
    """The register that holds a device's log of faults, read as one block; ``layout`` None: not read."""

    command: int
    is_paged: bool
    layout: LogLayout | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Profile:
    """A kind of device.

    ``pages`` is how many pages it may have; exactly how many if ``broadcast``, which allows PAGE 0xFF. ``required``
    registers are there. ``optional`` ones are there if QUERY says so, where ``query`` says that QUERY works; elsewhere
    they are taken to be there like the others. ``operation_high`` and ``operation_low`` carry the margin and
    fault-response bits (5:2) to be used; ``by_command`` margins by writing VOUT_COMMAND instead. ``has_pec`` None: not
    known. ``keeps_limits`` is why the limits of this kind of device are left as they are in a run. ``scale`` is the
    factor of an external divider by page. ``reads_coefficients``: direct mode takes its coefficients from the device.
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
    page_plus: bool = False
    group_command: bool = False
    query: bool = False
    has_pec: bool | None = None
    by_command: bool = False
    reads_coefficients: bool = False
    vid: Vid | None = None
    formats: Mapping[str, Codec | SameAs] = field(default_factory=dict)
    scale: Mapping[int, float] = field(default_factory=dict)
    fault_log: FaultLog | None = None
    keeps_limits: str = ""

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

    def page_format(self, page: int, vout_mode: int, *, direct: Direct | None = None) -> PageFormat:
        """Tell how the words of a page are read; ``direct`` are coefficients that were read from the device."""
        return PageFormat(
            mode=VoutMode.from_byte(vout_mode, direct=direct or self.direct, vid=self.vid),
            overrides=self.formats,
            scale=self.scale.get(page, 1.0),
        )


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
    vid, problems = _vid(document)
    problems += _problems(document)
    if problems:
        raise PlanProblems(tuple(problems))
    required = frozenset(model.registers.required)
    direct = model.vout_direct if not isinstance(model.vout_direct, str) else None
    log = model.fault_log
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
        page_plus=model.page_plus,
        group_command=model.group_command,
        query=model.query,
        has_pec=model.pec,
        by_command=model.margin.by == "VOUT_COMMAND",
        reads_coefficients=model.vout_direct == "coefficients",
        vid=vid,
        formats={register: _format(written) for register, written in model.formats.items()},
        scale=dict(model.scale),
        fault_log=None if log is None else _fault_log(log),
        keeps_limits=model.keeps_limits,
    )


def _problems(document: Document[ProfileFile]) -> list[Problem]:
    model = document.model
    required, by_command = frozenset(model.registers.required), model.margin.by == "VOUT_COMMAND"
    problems: list[Problem] = []
    needed = (*_MOVING_A_RAIL, *(() if by_command else _BY_MARGIN_REGISTERS), *_READING_A_RAIL)
    missing = [register for register in needed if register not in required]
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
    for register, written in model.formats.items():
        if isinstance(written, FormatFile) and written.direct.m == 0:
            loc = ("formats", register, "direct", "m")
            problems.append(document.problem(loc, "m = 0 holds no number", "write the data sheet's m"))
    for page in model.scale:
        if page >= model.pages:
            problems.append(
                document.problem(("scale",), f"page {page} of {model.pages} pages", "name a page that is there")
            )
    direct = model.vout_direct
    if direct is not None and not isinstance(direct, str) and direct.m == 0:
        problems.append(document.problem(("vout_direct", "m"), "m = 0 holds no number", "write the data sheet's m"))
    return problems


def _fault_log(log: FaultLogFile) -> FaultLog:
    entries = log.entries
    layout = None
    if entries is not None:
        layout = LogLayout(
            first=entries.first,
            size=entries.size,
            page=entries.page,
            time=entries.time,
            time_bytes=entries.time_bytes,
            tick_s=entries.tick,
            register=entries.status_register,
            bits=entries.bits,
            is_big_endian=entries.order == "high byte first",
        )
    return FaultLog(command=log.command, is_paged=log.paged, layout=layout)


def _vid(document: Document[ProfileFile]) -> tuple[Vid | None, list[Problem]]:
    spans = document.model.vout_vid
    if not spans:
        return None, []
    try:
        return (
            Vid.of(
                VidSpan(first=s.first, last=s.first if s.last is None else s.last, first_v=s.volts, step_v=s.step)
                for s in spans
            ),
            [],
        )
    except FormatError as error:
        return None, [document.problem(("vout_vid",), str(error), "write the table as the data sheet has it")]


def _format(written: str | FormatFile) -> Codec | SameAs:
    if isinstance(written, FormatFile):
        return Direct(written.direct.m, written.direct.b, written.direct.r)
    return _FORMATS[written]


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names)
