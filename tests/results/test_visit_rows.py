from dataclasses import replace

from run_example import a_baseline, a_recipe, a_run, a_visit

from cornerrun.results.store import Store


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


def test_what_the_rows_of_visits_have_in_common_is_held_once(tmp_path):
    run = a_run()
    with Store.open(tmp_path / "runs.sqlite") as store:
        store.begin_run(run, a_recipe(run.run_id), a_baseline())
        for ordinal in range(2):
            store.finish_visit(run.run_id, a_visit(ordinal, rails=3))
        first, second = store.load(run.run_id).visits
    assert first.readings[2].rail is second.readings[2].rail
    for name in ("rail", "level", "target_v", "setpoint_v", "reference_range_v"):
        assert first.readings.column(name) is second.readings.column(name)
    assert first.watched.column("during") is second.watched.column("during")


def test_traces_are_left_out_where_nobody_wants_them(tmp_path):
    run, record = a_run(), a_visit(0)
    assert record.traces
    with Store.open(tmp_path / "runs.sqlite") as store:
        store.begin_run(run, a_recipe(run.run_id), a_baseline())
        store.finish_visit(run.run_id, record)
        (whole,), (bare,) = store.load(run.run_id).visits, store.load(run.run_id, traces=False).visits
    assert whole == record
    assert bare == replace(record, traces=())
