"""What comes next: planned steps, control points between, moves from where the rails are."""

from fake_bench import a_plan

from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.plan.model import Condition, ControlPoints, NamedCorner
from cornerrun.run.itinerary import Itinerary

PLAN = a_plan(
    schemes=(
        NamedCorner(name="a", levels={"CORE": "high"}),
        NamedCorner(name="b", levels={"CORE": "high", "DDR": "low"}),
        NamedCorner(name="c", levels={"CORE": "high", "DDR": "low", "IO": "high"}),
    ),
    controls=ControlPoints(first=False, last=False),
)


def _itinerary(plan=PLAN) -> Itinerary:
    return Itinerary(plan, steps(plan, select(plan)))


def _rails(step) -> set[tuple[str, str]]:
    return {(item.rail, item.level) for burst in step.moves for item in burst}


def test_undisturbed_it_hands_out_the_planned_steps_as_they_are():
    itinerary, planned = _itinerary(), steps(PLAN, select(PLAN))
    levels: dict[str, str] = {}
    handed = []
    while (step := itinerary.next()) is not None:
        step = itinerary.laid_out(step, levels, changes_conditions=False)
        levels = dict(step.corner.by_rail())
        handed.append(step)
    assert tuple(handed) == planned


def test_after_trouble_a_control_point_comes_first_and_then_moves_from_nominal():
    itinerary = _itinerary()
    itinerary.laid_out(itinerary.next(), {}, changes_conditions=False)
    itinerary.next()
    itinerary.prove()
    proof = itinerary.next()
    assert (proof.is_control, proof.ordinal, proof.corner.name) == (True, 3, "nominal")
    assert itinerary.laid_out(proof, {}, changes_conditions=False).moves == ()
    step = itinerary.laid_out(itinerary.next(), {}, changes_conditions=False)
    assert step.corner.name == "c"
    assert _rails(step) == {("CORE", "high"), ("DDR", "low"), ("IO", "high")}


def test_a_step_after_one_that_is_left_out_moves_from_where_the_rails_are():
    itinerary = _itinerary()
    itinerary.laid_out(itinerary.next(), {}, changes_conditions=False)
    itinerary.next()
    itinerary.leave_out()
    step = itinerary.laid_out(itinerary.next(), {"CORE": "high"}, changes_conditions=False)
    assert _rails(step) == {("DDR", "low"), ("IO", "high")}


def test_conditions_never_change_while_rails_are_away():
    plan = a_plan(
        schemes=(NamedCorner(name="a", levels={"CORE": "high"}),),
        controls=ControlPoints(first=False, last=False),
        conditions=(Condition(name="ambient", unit="degC", levels={"cold": 0.0, "hot": 60.0}),),
    )
    itinerary = _itinerary(plan)
    itinerary.laid_out(itinerary.next(), {}, changes_conditions=True)
    itinerary.leave_out()
    step = itinerary.laid_out(itinerary.next(), {"CORE": "high"}, changes_conditions=True)
    assert [[(item.rail, item.level) for item in burst] for burst in step.moves] == [
        [("CORE", "nominal")],
        [("CORE", "high")],
    ]


def test_inserted_control_points_have_numbers_of_their_own():
    itinerary = _itinerary()
    ordinals = []
    for _ in range(3):
        itinerary.prove()
        ordinals.append(itinerary.next().ordinal)
        itinerary.next()
    assert ordinals == [3, 4, 5]
