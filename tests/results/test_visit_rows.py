import math
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st
from run_example import a_baseline, a_recipe, a_run, a_visit

from cornerrun.results.store import Store
from cornerrun.results.visit_rows import Shared


@given(st.lists(st.floats(allow_nan=False), max_size=20))
def test_shared_numbers_are_the_same_to_the_last_bit(numbers):
    shared = Shared()
    for number in [*numbers, 0.0, -0.0, *numbers]:
        found = shared.number(number)
        assert (found, math.copysign(1, found)) == (number, math.copysign(1, number))


def test_texts_of_many_rows_are_held_once():
    shared = Shared()
    first, second = "".join(["VDD", "_IO"]), "".join(["VDD_", "IO"])
    assert first is not second
    assert shared.text(first) is shared.text(second)


def test_visits_come_in_order_of_time_each_with_its_own_rows_also_where_some_have_none(tmp_path):
    run = a_run()
    records = []
    for ordinal, rails, start_s in ((0, 2, 5.0), (1, 0, 9.0), (2, 3, 1.0), (4, 1, 7.0)):
        record = a_visit(ordinal, rails=rails, trials=ordinal)
        records.append(replace(record, visit=replace(record.visit, start_s=start_s, end_s=start_s + 1)))
    with Store.open(tmp_path / "runs.sqlite") as store:
        store.begin_run(run, a_recipe(run.run_id), a_baseline())
        for record in records:
            store.finish_visit(run.run_id, record)
        found = store.load(run.run_id).visits
    assert found == tuple(sorted(records, key=lambda record: record.visit.start_s))
    assert found[0].readings[0].rail is found[1].readings[0].rail
