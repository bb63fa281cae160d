"""The conditions of a valid plan file -> nouns: rails and groups spelled out, quantities in SI units."""

from collections.abc import Iterator, Sequence

from cornerrun.plan.condition_file import ConditionFile, DewPointFile
from cornerrun.plan.condition_nouns import Condition, SettleAt
from cornerrun.plan.cross import Board
from cornerrun.plan.cross_conditions import condition_levels, ramp_per_s, rest_of, spelled_rails
from cornerrun.plan.dew_point import dew_point_degc
from cornerrun.units import Kind

__all__ = ["conditions_of", "settle_at"]


def conditions_of(board: Board, files: Sequence[ConditionFile]) -> tuple[Condition, ...]:
    """Build the conditions, temperatures outermost: a chamber takes longer than anything else."""
    built = [_condition(board, index) for index in range(len(files))]
    return tuple(sorted(built, key=lambda one: one.unit != Kind.TEMPERATURE.unit))


def _condition(board: Board, index: int) -> Condition:
    file = board.conditions[index]
    kind, levels = condition_levels(file, board, index)
    moved = tuple(name for name in board.levels if board.is_commanded(name))
    dew = file.dew_point
    boots = file.cold_boot
    return Condition(
        name=file.name,
        unit=kind.unit if kind else "",
        levels=levels,
        allow={
            level: {rail: given.rails[name] for rail, name in spelled_rails(given.rails, moved, board.groups).items()}
            for level, given in file.allow.items()
        },
        ramp_per_s=None if kind is None else ramp_per_s(file, kind, board, index),
        cold_boots=(tuple(levels) if boots else ()) if isinstance(boots, bool) else boots,
        rest=None if kind is None else rest_of(file, kind, board, index),
        dew_point_degc=None if dew is None else _dew_point_degc(dew),
        takes_s=file.takes,
    )


def _dew_point_degc(file: DewPointFile) -> float:
    if file.at is not None:
        return file.at
    return dew_point_degc(file.temperature or 0.0, file.humidity or 1.0)


def settle_at(board: Board, conditions: Sequence[ConditionFile], rail: str) -> Iterator[SettleAt]:
    """Go through what differs in how a rail settles, level by level of each condition."""
    for condition in conditions:
        for level, given in condition.settle_at.items():
            named = spelled_rails(given.rails, (rail,), board.groups)
            if rail in named:
                change = given.rails[named[rail]]
                yield SettleAt(
                    condition=condition.name,
                    level=level,
                    band_ratio=change.band,
                    stable_for_s=change.stable_for,
                    timeout_s=change.timeout,
                )
