"""Which of several came first."""

from dataclasses import replace

from fake_bench import a_plan
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.ports import FaultStamp
from cornerrun.plan.model import Tracks
from cornerrun.plan.supply import Supply, Upstream
from cornerrun.run.originator import earliest, feeders

TICK_S = 1e-4
WRAPS = 1 << 24


def _stamp(ticks: int) -> FaultStamp:
    return FaultStamp(clock="PM1", at_s=(ticks % WRAPS) * TICK_S, wraps_s=WRAPS * TICK_S, tick_s=TICK_S)


@given(
    st.integers(0, WRAPS - 1),
    st.lists(st.integers(2, WRAPS // 2 - 10), min_size=1, max_size=5, unique=True),
    st.randoms(),
)
def test_the_first_is_found_wherever_the_clock_stands(start, later, random):
    stamps = {"first": [_stamp(start)], **{f"R{n}": [_stamp(start + ticks)] for n, ticks in enumerate(later)}}
    shuffled = list(stamps)
    random.shuffle(shuffled)
    assert earliest({rail: stamps[rail] for rail in shuffled}) == "first"


@given(st.lists(st.integers(0, WRAPS - 1), min_size=2, max_size=6))
def test_whoever_is_named_lies_before_every_other(ticks):
    found = earliest({f"R{n}": [_stamp(value)] for n, value in enumerate(ticks)})
    if found is not None:
        own = ticks[int(found[1:])]
        others = [value for n, value in enumerate(ticks) if f"R{n}" != found]
        assert all(1 < (value - own) % WRAPS <= WRAPS // 2 for value in others)


def test_nobody_is_first_without_stamps():
    assert earliest({}) is None
    assert earliest({"CORE": []}) is None


def test_feeders_are_followed_all_the_way_up_and_a_ring_ends():
    plan = a_plan()
    first, second, third = (rail.name for rail in plan.rails[:3])

    def fed(rail, above):
        return replace(rail, supply=Supply(upstream=Upstream(rail=above)))

    chain = replace(
        plan,
        rails=(
            fed(plan.rails[0], second),
            replace(plan.rails[1], tracks=Tracks(rail=third, ratio=0.5)),
            fed(plan.rails[2], first),
            *plan.rails[3:],
        ),
    )
    found = feeders(chain)
    assert found[first] == {second, third}
    assert found[third] == {first, second}
