"""The guard: holds where every rail is asked to be, and permits a write or refuses it. It never clamps.

Every rail has a range of voltages that it may be at: from where it was to where it has been asked to go, until a
reading shows that it has arrived. Relations are judged on those ranges, so they hold for every mix of old and new
voltages of the rails on their way, and of the rails that follow them, which may lag. Hard limits are judged with the
rail's accuracy, and the rails that hardware makes follow another are judged with it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from cornerrun.bench.pmbus.commands import COMMANDS, NON_VOLATILE
from cornerrun.bench.ports import Effect, Write
from cornerrun.errors import GuardRefusal
from cornerrun.plan.model import Plan, Rail, Relation
from cornerrun.units import Kind, show

__all__ = ["Guard"]

_SLACK_V = 1e-9  # chosen: the rounding of a difference of two floats, far below any register's step
_OPERATION = COMMANDS["OPERATION"].code
# Writes to these may move an output: without a word of what they do to it they are not sent.
_MOVING = {
    COMMANDS[name].code: name
    for name in (
        "OPERATION",
        "VOUT_COMMAND",
        "VOUT_TRIM",
        "VOUT_CAL_OFFSET",
        "VOUT_DROOP",
        "VOUT_SCALE_LOOP",
        "VOUT_MAX",
        "VOUT_MIN",
    )
}
_STORING = {COMMANDS[name].code: name for name in ("VOUT_MARGIN_HIGH", "VOUT_MARGIN_LOW")}


@dataclass(frozen=True, slots=True)
class _Range:
    """Where a rail may be, in volts; ``target_v`` is where it has been asked to go."""

    low_v: float
    high_v: float
    target_v: float

    def towards(self, target_v: float) -> "_Range":
        return _Range(min(self.low_v, target_v), max(self.high_v, target_v), target_v)

    def times(self, ratio: float) -> "_Range":
        ends = (self.low_v * ratio, self.high_v * ratio)
        return _Range(min(ends), max(ends), self.target_v * ratio)


class Guard:
    """Judge writes by what they do to outputs, in volts.

    One guard stands before all buses of a bench, since relations may span them. Ask `permit` before a write is sent
    and tell `applied` when it was, acknowledged or not; tell `seen` what the rails read.
    """

    def __init__(self, plan: Plan) -> None:
        self._rails = {rail.name: rail for rail in plan.rails}
        self._followers = _followers(plan.rails)
        self._relations = plan.relations
        self._ranges = {rail.name: _Range(rail.nominal_v, rail.nominal_v, rail.nominal_v) for rail in plan.rails}
        self._on_their_way: set[str] = set()
        self._expected: dict[str, tuple[float, float]] = {}

    @property
    def targets_v(self) -> Mapping[str, float]:
        """Where every rail has been asked to be, in volts, rails that follow another among them."""
        return {name: place.target_v for name, place in self._ranges.items()}

    @property
    def on_their_way(self) -> frozenset[str]:
        """The rails that have been asked to move and not yet been seen to arrive."""
        return frozenset(self._on_their_way)

    def permit(self, write: Write) -> None:
        """Permit a write, or say why not.

        Raises:
            GuardRefusal: an output, or a stored voltage, would cross a hard limit; a relation could break on the way;
                a rail that the plan never moves would move; or it isn't said what the write does.

        """
        self._judge_command(write)
        for effect in write.stored:
            self._judge_limits(effect, "stored")
        self.permit_together(write.effects)

    def permit_together(self, effects: Iterable[Effect]) -> None:
        """Judge, before the first write is sent, what several writes will do together; GuardRefusal as `permit`."""
        ranges = dict(self._ranges)
        for effect in effects:
            self._judge_limits(effect, "moved")
            self._judge_mobility(effect)
            self._move(ranges, effect)
        for relation in self._relations:
            self._judge_relation(relation, ranges)

    def permit_home(self, effects: Iterable[Effect]) -> None:
        """Judge whether rails may be sent home later, before they leave: GuardRefusal if nominal is beyond a limit."""
        for effect in effects:
            self._judge_limits(effect, "brought home")

    def permit_return(self, write: Write) -> None:
        """Permit a write of the way back: hard limits are judged, relations are not.

        Relations are what the order of the return is for. A rail that may not go home would stay away for good, which
        is worse than a relation that is broken while it goes.
        """
        self._judge_command(write)
        for effect in (*write.effects, *write.stored):
            self._judge_limits(effect, "moved")

    def applied(self, write: Write) -> None:
        """Take note that a write was sent. If it may not have arrived, the old voltages stay possible too."""
        for effect in write.effects:
            before = self._ranges[effect.rail].target_v
            self._move(self._ranges, effect)
            self._expected.clear()
            if before != effect.target_v:
                self._on_their_way.update((effect.rail, *self._followers.get(effect.rail, {})))

    def found(self, effects: Iterable[Effect]) -> None:
        """Take note of where outputs were found before anything was moved."""
        for effect in effects:
            for name, ratio in self._moved_by(effect.rail):
                target_v = effect.target_v * ratio
                self._ranges[name] = _Range(target_v, target_v, target_v)
                self._expected.pop(name, None)
                self._on_their_way.discard(name)

    def expects(self, rail: str, reading_v: float) -> bool:
        """Whether a reading lies where the rail may be, with its accuracy and settle band around."""
        low_v, high_v = self._expected.get(rail) or self._expectation(rail)
        return low_v <= reading_v <= high_v

    def side_of_expected(self, rail: str, reading_v: float) -> int:
        """Tell on which side of what is expected a reading lies: -1, 0 or 1."""
        low_v, high_v = self._expected.get(rail) or self._expectation(rail)
        return -1 if reading_v < low_v else int(reading_v > high_v)

    def seen(self, rail: str, reading_v: float) -> None:
        """Take note of a reading: within its settle band of the target, a rail has arrived, and its followers too."""
        if rail not in self._on_their_way:
            return
        target_v = self._ranges[rail].target_v
        if abs(reading_v - target_v) <= self._rails[rail].settle.band_ratio * target_v:
            self.found((Effect(rail=rail, target_v=target_v),))

    def _expectation(self, rail: str) -> tuple[float, float]:
        place, found = self._ranges[rail], self._rails[rail]
        share = found.accuracy_ratio + found.settle.band_ratio
        expected = (place.low_v - share * abs(place.low_v), place.high_v + share * abs(place.high_v))
        self._expected[rail] = expected
        return expected

    def _moved_by(self, rail: str) -> Iterable[tuple[str, float]]:
        return ((rail, 1.0), *self._followers.get(rail, {}).items())

    def _move(self, ranges: dict[str, _Range], effect: Effect) -> None:
        place = ranges[effect.rail].towards(effect.target_v)
        for name, ratio in self._moved_by(effect.rail):
            ranges[name] = place.times(ratio)

    def _judge_command(self, write: Write) -> None:
        if write.command in NON_VOLATILE:
            raise GuardRefusal(f"{NON_VOLATILE[write.command]} touches non-volatile memory; it is never sent")
        turns_off = write.command == _OPERATION and len(write.data) == 1 and not write.data[0] & 0x80
        if write.command in _MOVING and not turns_off and len(write.effects) < max(1, len(write.pages)):
            raise GuardRefusal(
                f"{_MOVING[write.command]} to pages {list(write.pages)} of 0x{write.address:02X} may move an output, "
                "and it is not said where to; it is not sent"
            )
        if write.command in _STORING and len(write.stored) < max(1, len(write.pages)):
            raise GuardRefusal(
                f"{_STORING[write.command]} of 0x{write.address:02X} would hold a voltage that was not judged; it is "
                "not sent"
            )

    def _judge_limits(self, effect: Effect, verb: str) -> None:
        if effect.rail not in self._rails:
            raise GuardRefusal(f"{effect.rail!r} is no rail of the plan; nothing is known of its limits")
        for name, ratio in self._moved_by(effect.rail):
            rail = self._rails[name]
            target_v = effect.target_v * ratio
            spread_v = abs(target_v) * rail.accuracy_ratio
            limits = rail.hard_limits
            # Written so that NaN is refused.
            if not (target_v - spread_v >= limits.min_v and target_v + spread_v <= limits.max_v):
                follows = "" if name == effect.rail else f", which follows {effect.rail},"
                raise GuardRefusal(
                    f"{name}{follows} would be {verb} to {show(target_v, Kind.VOLTAGE)} "
                    f"(± {show(rail.accuracy_ratio, Kind.RATIO)}), beyond its hard limits of "
                    f"{show(limits.min_v, Kind.VOLTAGE)} to {show(limits.max_v, Kind.VOLTAGE)}; nothing was sent"
                )

    def _judge_mobility(self, effect: Effect) -> None:
        rail = self._rails[effect.rail]
        if rail.tracks is not None:
            raise GuardRefusal(f"{rail.name} follows {rail.tracks.rail} by hardware; it is never commanded")
        asked_v = self._ranges[rail.name].target_v
        if not rail.is_moved and abs(effect.target_v - asked_v) > rail.accuracy_ratio * rail.nominal_v + _SLACK_V:
            why = f" ({rail.why_fixed})" if rail.why_fixed else ""
            raise GuardRefusal(
                f"{rail.name} would be moved to {show(effect.target_v, Kind.VOLTAGE)}; the plan never moves it{why}"
            )

    def _judge_relation(self, relation: Relation, ranges: Mapping[str, _Range]) -> None:
        rail, minus = ranges[relation.rail], ranges[relation.minus]
        least_v, greatest_v = rail.low_v - minus.high_v, rail.high_v - minus.low_v
        is_low = relation.min_v is not None and not least_v >= relation.min_v - _SLACK_V
        is_high = relation.max_v is not None and not greatest_v <= relation.max_v + _SLACK_V
        if is_low or is_high:
            worst_v = least_v if is_low else greatest_v
            limit_v = relation.min_v if is_low else relation.max_v
            assert limit_v is not None
            raise GuardRefusal(
                f"{relation.rail} - {relation.minus} could be {show(worst_v, Kind.VOLTAGE)} on the way, "
                f"{'below' if is_low else 'above'} {show(limit_v, Kind.VOLTAGE)}; nothing was sent"
            )


def _followers(rails: Iterable[Rail]) -> Mapping[str, Mapping[str, float]]:
    """Find every rail that follows another, directly or through a third, with the product of the ratios."""
    direct = {rail.name: rail.tracks for rail in rails if rail.tracks is not None}
    found: dict[str, dict[str, float]] = {}
    for follower in direct:
        ratio, name, passed = 1.0, follower, {follower}
        while name in direct and direct[name].rail not in passed:
            ratio *= direct[name].ratio
            name = direct[name].rail
            passed.add(name)
            found.setdefault(name, {})[follower] = ratio
    return found
