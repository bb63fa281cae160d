"""A valid plan file -> the plan that every other room reads."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from cornerrun.plan.build_conditions import conditions_of, settle_at
from cornerrun.plan.check_file import AcceptanceFile, CheckFile, CriterionFile
from cornerrun.plan.corner_file import CornersFile, SchemeFile
from cornerrun.plan.cross import Board
from cornerrun.plan.cross_corners import commanded_root, spelled_out
from cornerrun.plan.files import PlanFile
from cornerrun.plan.model import (
    Acceptance,
    AcceptAt,
    AllRails,
    At,
    Check,
    CheckCriterion,
    ControlPoints,
    CornerChoice,
    Covering,
    Criteria,
    Demonstrate,
    Device,
    ForbiddenAt,
    FullFactorial,
    HardLimits,
    NamedCorner,
    PageAddress,
    Plan,
    Policy,
    Proof,
    Rail,
    Relation,
    Scheme,
    Screen,
    Screening,
    Settle,
    SingleRail,
    Source,
    SupplyOutput,
    Tracks,
)
from cornerrun.plan.model import Board as BoardName
from cornerrun.plan.overrides import ignoring_rails, overrides_of, widened_of
from cornerrun.plan.rail_file import DeviceFile, RailFile, volts_of
from cornerrun.plan.rail_levels import lineage
from cornerrun.plan.tight import kept_rails
from cornerrun.plan.trim_file import TrimSweepFile
from cornerrun.plan.trim_levels import trim_names
from cornerrun.plan.trim_model import Declared, TrimSweep, WarmUp

__all__ = ["build_plan"]


def build_plan(
    file: PlanFile, board: Board, limits: Mapping[int, HardLimits], sources: Sequence[Source], directory: Path
) -> Plan:
    """Turn a plan file without problems into a plan: groups spelled out, chains of rails resolved, SI units."""
    return Plan(
        title=file.title,
        purpose=file.purpose or "",
        board=BoardName(name=file.board.name, revision=file.board.revision),
        bench=None if file.bench is None else directory / file.bench,
        devices={name: _device(name, device) for name, device in file.devices.items()},
        rails=tuple(_rail(board, file, rail, limits[index]) for index, rail in enumerate(file.rails)),
        groups=dict(file.groups),
        relations=tuple(
            Relation(rail=item.rail, minus=item.minus, min_v=item.min, max_v=item.max) for item in file.between_rails
        ),
        conditions=conditions_of(board, file.conditions),
        corners=_corners(board, file.corners),
        checks=tuple(_check(check) for check in file.checks),
        criteria=Criteria(
            checks=_criterion(file.criteria.checks) or Screen(failures=0),
            **({"voltage_window_ratio": file.criteria.voltage.window} if file.criteria.voltage else {}),
            trim_claim_ratio=file.criteria.trim.claim if file.criteria.trim else None,
            voltage_window_at={name: dict(levels) for name, levels in file.criteria.voltage.window_at.items()}
            if file.criteria.voltage
            else {},
        ),
        policy=Policy(
            on_trip=file.policy.on_trip,
            on_fail=file.policy.on_fail,
            hold_s=file.policy.hold or 0.0,
            retry_period_s=file.policy.retry_period,
            **({} if file.policy.retries is None else {"retries": file.policy.retries}),
        ),
        sources=tuple(sources),
        directory=directory,
        proof=None if file.proof is None else Proof(step_ratio=file.proof.step, coupling_ratio=file.proof.coupling),
        trim=None if file.trim is None else _trim(board, file.trim),
        power_up=None
        if file.power_up is None
        else file.power_up.power_up(tuple(rail.name for rail in file.rails if board.is_commanded(rail.name))),
        fault_responses=tuple(item.response() for item in file.fault_responses),
        overrides=overrides_of(file.overrides, file.groups),
        limits_kept=kept_rails(file.limits_kept, tuple(rail.name for rail in file.rails), file.groups),
    )


def _device(name: str, device: DeviceFile) -> Device:
    return Device(
        name=name,
        bus=device.bus,
        address=device.address,
        profile=device.profile,
        identity=device.identity.model_dump(exclude_none=True),
        vout_mode=device.vout_mode,
        scan_s=device.scan,
    )


def _rail(board: Board, file: PlanFile, rail: RailFile, limits: HardLimits) -> Rail:
    tracks = None
    if rail.tracks is not None:
        line = lineage(rail.name, board.rails_by_name, "tracks")
        tracks = Tracks(rail=line.root, ratio=line.ratio)
    return Rail(
        name=rail.name,
        nominal_v=rail.nominal,
        levels=dict(board.levels[rail.name]),
        hard_limits=limits,
        accuracy_ratio=rail.accuracy,
        settle=Settle(band_ratio=rail.settle.band, stable_for_s=rail.settle.stable_for, timeout_s=rail.settle.timeout),
        power=None if rail.power is None else PageAddress(device=rail.power.device, page=rail.power.page),
        output=None
        if rail.output is None
        else SupplyOutput(
            supply=rail.output.supply,
            number=rail.output.number,
            current_limit_a=rail.output.current_limit,
            over_voltage_v=volts_of(rail.output.over_voltage, rail.nominal),
        ),
        tracks=tracks,
        tied_to=None if rail.tied_to is None else lineage(rail.name, board.rails_by_name, "tied_to").root,
        why_fixed=rail.why_fixed,
        device_limits=rail.device_limits.volts(rail.nominal),
        supply=rail.supply(rail.nominal),
        ignores_faults=rail.name in ignoring_rails(file.overrides, file.groups),
        widened=widened_of(file.overrides, rail.name, rail.nominal),
        settle_at=tuple(settle_at(board, file.conditions, rail.name)),
    )


def _corners(board: Board, file: CornersFile) -> CornerChoice:
    control = file.control_points
    forbidden = [_forbidden(board, item) for item in file.forbidden]
    return CornerChoice(
        schemes=tuple(_scheme(scheme, board.groups) for scheme in file.schemes),
        control_points=ControlPoints(
            first=control.first, every=control.every, last=control.last, drift_ratio=control.drift
        ),
        forbidden=tuple(item.levels for item in forbidden if not item.conditions),
        forbidden_at=tuple(item for item in forbidden if item.conditions),
        conditions=tuple(dict(item) for item in file.conditions or ()),
        via_nominal=file.via_nominal,
        repeats=file.repeats,
        order=file.order,
        seed=file.seed,
        staged=None if file.staged is None else {str(kind): str(rule) for kind, rule in file.staged.stop_after.items()},
    )


def _forbidden(board: Board, file: Mapping[str, str]) -> ForbiddenAt:
    """Tell rails from conditions; a rail that follows another is judged by the level of the one that is commanded."""
    conditions = {condition.name for condition in board.conditions.values()}
    rails = {name: level for name, level in file.items() if name not in conditions}
    return ForbiddenAt(
        levels={commanded_root(board, rail): level for rail, level in spelled_out(rails, board.groups).items()},
        conditions={name: level for name, level in file.items() if name in conditions},
    )


def _scheme(file: SchemeFile, groups: Mapping[str, tuple[str, ...]]) -> Scheme:
    def rails(names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(member for name in names for member in groups.get(name, (name,)))

    if file.all_rails is not None:
        return AllRails(levels=file.all_rails)
    if file.single_rail is not None:
        single = file.single_rail
        return SingleRail(levels=single.levels, rails=None if single.rails is None else rails(single.rails))
    if file.full_factorial is not None:
        return FullFactorial(rails=rails(file.full_factorial.rails), levels=file.full_factorial.levels)
    if file.covering is not None:
        covering = file.covering
        chosen = None if covering.rails is None else rails(covering.rails)
        return Covering(
            strength=covering.strength,
            levels=covering.levels,
            rails=chosen,
            times=covering.times,
            together=tuple(groups[name] for name in covering.together or ()),
            conditions=covering.conditions or (),
            include=tuple(spelled_out(row, groups) for row in covering.include),
        )
    if file.screening is not None:
        design = file.screening
        return Screening(
            levels=(design.levels[0], design.levels[1]),
            rails=None if design.rails is None else rails(design.rails),
            resolution=None if design.design == "plackett-burman" else design.resolution or 4,
            fold_over=design.fold_over,
        )
    return NamedCorner(name=file.name or "", levels=spelled_out(file.levels or {}, groups))


def _trim(board: Board, file: TrimSweepFile) -> TrimSweep:
    def rails(names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(member for name in names for member in board.groups.get(name, (name,))))

    free = tuple(
        name for name in board.levels if board.is_commanded(name) and board.rails_by_name[name].tied_to is None
    )
    warm = file.warm_up
    return TrimSweep(
        rails=free if file.rails is None else rails(file.rails),
        levels=trim_names(file.setpoints),
        repeats=file.repeats,
        together=file.together,
        warm_up=None if warm is None else WarmUp(drift_ratio=warm.drift, over_s=warm.over, timeout_s=warm.timeout),
        declared=tuple(
            Declared(
                name=item.name,
                half_width_v=item.half_width,
                rails=None if item.rails is None else rails(item.rails),
            )
            for item in file.declared
        ),
    )


def _criterion(file: CriterionFile | None) -> CheckCriterion | None:
    if file is None:
        return None
    if file.demonstrate is not None:
        asked = file.demonstrate
        return Demonstrate(pass_probability=asked.pass_probability, confidence=asked.confidence)
    return Screen(failures=file.screen.failures if file.screen else 0)


def _accepted(file: Mapping[str, AcceptanceFile]) -> Mapping[str, Acceptance]:
    return {name: Acceptance(min=item.min, max=item.max) for name, item in file.items()}


def _check(file: CheckFile) -> Check:
    return Check(
        name=file.name,
        python=file.python,
        command=file.command,
        pytest=file.pytest,
        trials=file.trials,
        timeout_s=file.timeout,
        takes_s=file.takes,
        accept=_accepted(file.accept),
        accept_at=tuple(
            AcceptAt(condition=condition, level=level, accept=_accepted(accept))
            for condition, levels in file.accept_at.items()
            for level, accept in levels.items()
        ),
        at=At(
            corners=file.at.corners,
            conditions=None if file.at.conditions is None else dict(file.at.conditions),
        ),
        criterion=_criterion(file.criterion),
        run_set_up=file.set_up.run,
        run_tear_down=file.tear_down.run,
        corner_set_up=file.set_up.corner,
        corner_tear_down=file.tear_down.corner,
        settings=dict(file.settings),
    )
