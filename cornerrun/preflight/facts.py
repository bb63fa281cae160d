"""All that the rules look at, worked out once."""

from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from cornerrun.bench.pmbus.profile import Profile, load_profile
from cornerrun.bench.ports import RegisterValue
from cornerrun.bench.scpi.dialect import supply_dialect
from cornerrun.corners.model import Corner, Selection, Step
from cornerrun.corners.order import steps
from cornerrun.corners.select import nominal_corner, select
from cornerrun.corners.stages import laid_out
from cornerrun.errors import CornerrunError, PlanError
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.document import Reader
from cornerrun.plan.load import plan_tree
from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.plan.nodes import Loc, Node, ProblemList
from cornerrun.preflight.device_values import BenchValues
from cornerrun.preflight.levels import RailLevels, rail_levels

if TYPE_CHECKING:
    from cornerrun.preflight.paper.rehearsal import Rehearsal

__all__ = ["Facts", "gather"]


@dataclass(frozen=True, kw_only=True)
class Facts:
    """A plan with what follows from it.

    ``levels`` hold each rail's levels as encoded, in plan order. ``profiles`` go by profile name; ``profile_trouble``
    says why one is not there. ``values`` is what the devices of a bench hold, as far as they were asked. ``trouble``
    says why corners cannot be selected or ordered at all.
    """

    plan: Plan
    bench_file: BenchFile | None
    profiles: Mapping[str, Profile]
    profile_trouble: Mapping[str, str]
    values: BenchValues
    levels: tuple[RailLevels, ...]
    selection: Selection
    steps: tuple[Step, ...]
    trouble: str
    tree: Node | None

    @cached_property
    def corners(self) -> tuple[Corner, ...]:
        """Every corner that the run visits, once, the nominal ones among them."""
        return tuple({step.corner.name: step.corner for step in self.steps}.values())

    @cached_property
    def visits(self) -> Mapping[str, int]:
        """How often each corner is visited, by name."""
        return Counter(step.corner.name for step in self.steps)

    @cached_property
    def by_rail(self) -> Mapping[str, RailLevels]:
        """The levels of each rail, by its name."""
        return {found.rail.name: found for found in self.levels}

    @cached_property
    def rehearsal(self) -> "Rehearsal | None":
        """The run on paper, performed when first asked for; None where it cannot be."""
        from cornerrun.preflight.paper.rehearsal import rehearse

        return rehearse(self)

    def setpoint_v(self, corner: Corner, rail: str) -> float:
        """What a rail is asked for at a corner, as its word means it; one that follows goes with its leader."""
        found = self.by_rail[rail]
        leader = found.rail.tracks.rail if found.rail.tracks else rail
        return found.row(corner.by_rail().get(leader, NOMINAL)).setpoint_v

    def scan_s(self, rail: Rail) -> float | None:
        """The time between conversions of a rail's ADC; None where nobody says."""
        if rail.power is None:
            return None
        device = self.plan.devices[rail.power.device]
        profile = self.profiles.get(device.profile)
        return device.scan_s if device.scan_s is not None else profile.scan_s if profile else None

    def position(self, *loc: str | int) -> str:
        """Point at a place of the plan's file; at the field alone where the file is not at hand."""
        steps_in = self._indexed(loc)
        if self.tree is None:
            return ".".join(map(str, loc)) or "plan"
        where = Reader(root=self.tree, problems=ProblemList()).where(steps_in)
        return f"{where.path}:{where.line}:{where.column}"

    def _indexed(self, loc: Loc) -> list[str | int]:
        """Turn the name of a member of a list into its index: ("rails", "VDDQ") -> ("rails", 2)."""
        found: list[str | int] = []
        node = self.tree
        for step in loc:
            taken = step
            for index, item in enumerate(node.items if node is not None else ()):
                name = item.child("name")
                if name is not None and name.text is not None and name.text.strip() == step:
                    taken = index
            found.append(taken)
            node = node.child(taken) if node is not None else None
        return found


def gather(
    plan: Plan,
    bench_file: BenchFile | None,
    profiles: Mapping[str, Profile] | None,
    vout_modes: Mapping[str, int] | None = None,
    *,
    values: BenchValues | None = None,
    snapshot: Sequence[RegisterValue] | None = None,
    may_open: bool = False,
) -> Facts:
    """Work out what the rules look at.

    ``profiles`` None loads those that the plan names. What devices hold comes from ``values``, else from ``snapshot``,
    else from the devices themselves: those of a bench that is simulated in this process, and real ones with
    ``may_open``. ``vout_modes`` (VOUT_MODE bytes by rail) given instead asks nobody.

    Raises:
        PlanProblems: a simulation file has problems.

    """
    loaded: dict[str, Profile] = dict(profiles or {})
    profile_trouble: dict[str, str] = {}
    for name in dict.fromkeys(device.profile for device in plan.devices.values()):
        if name in loaded:
            continue
        try:
            loaded[name] = load_profile(name, plan.directory)
        except PlanError as error:
            profile_trouble[name] = str(error)
    if values is None and vout_modes is None and snapshot is None and bench_file is not None:
        from cornerrun.preflight.device_reading import read_values

        values = read_values(plan, bench_file, loaded, may_open=may_open)
    if snapshot is not None:
        from cornerrun.preflight.snapshot_values import snapshot_values

        values = snapshot_values(plan, snapshot, loaded, source="the snapshot")
    held = values or BenchValues()
    selection, planned, trouble = _planned(plan)
    return Facts(
        plan=plan,
        bench_file=bench_file,
        profiles=loaded,
        profile_trouble=profile_trouble,
        values=held,
        levels=rail_levels(plan, vout_modes or {}, loaded, held.rails, _steps_v(plan, bench_file)),
        selection=selection,
        steps=planned,
        trouble=trouble,
        tree=_tree(plan),
    )


def _steps_v(plan: Plan, bench_file: BenchFile | None) -> Mapping[str, float]:
    """Tell the voltage steps of supplies by the rails that they make, as far as their dialects can be read."""
    steps_v: dict[str, float] = {}
    for rail in plan.rails:
        instrument = bench_file.instruments.get(rail.output.supply) if bench_file and rail.output else None
        if bench_file is not None and instrument is not None:
            # What is wrong with a dialect is a finding of rule "supplies".
            with suppress(PlanError):
                steps_v[rail.name] = supply_dialect(instrument.dialect, bench_file.directory).step
    return steps_v


def _planned(plan: Plan) -> tuple[Selection, tuple[Step, ...], str]:
    nominal = (nominal_corner(plan),)
    if plan.corners.staged is not None:
        try:
            return *laid_out(plan), ""
        except CornerrunError as error:
            return Selection(corners=()), tuple(_still(corner) for corner in nominal), str(error)
    try:
        selection = select(plan)
    except CornerrunError as error:
        return Selection(corners=()), tuple(_still(corner) for corner in nominal), str(error)
    try:
        return selection, steps(plan, selection), ""
    except CornerrunError as error:
        return selection, tuple(_still(corner) for corner in (*nominal, *selection.corners)), str(error)


def _still(corner: Corner) -> Step:
    return Step(ordinal=0, corner=corner, repeat=0, is_control=corner.is_nominal, moves=(), return_order=())


def _tree(plan: Plan) -> Node | None:
    path = next((source.path for source in plan.sources if source.role == "plan"), None)
    if path is None or not _is_unchanged(path, plan):
        return None
    return plan_tree(path)


def _is_unchanged(path: Path, plan: Plan) -> bool:
    from cornerrun.plan.source import read_source

    read = read_source(path, "plan", ProblemList())
    return read is not None and any(replace(read[1]) == source for source in plan.sources)
