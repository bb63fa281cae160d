"""Whether a run may go on: its files, its devices, its registers are those that it began with."""

from dataclasses import replace
from pathlib import Path

import pytest
from fake_bench import Rig

from cornerrun.errors import DeviceRefused, UsageError
from cornerrun.plan.model import Source
from cornerrun.results.records import Outcome, RunData, RunResult
from cornerrun.run.resuming import compare_devices, compare_sources, to_resume


def source(name: str, sha256: str, role: str = "checks") -> Source:
    return Source(role=role, path=Path(name), sha256=sha256)


@pytest.fixture
def rig() -> Rig:
    rig = Rig()
    rig.run()
    return rig


def data_of(rig: Rig, visits=None, **changes) -> RunData:
    ended = {"ended_utc": rig.clock.utc_now(), "result": RunResult.INCOMPLETE}
    run = replace(rig.store.run, **(ended | changes))
    return RunData(run=run, visits=tuple(rig.store.visits if visits is None else visits), events=())


def planned(rig: Rig):
    return [intent.step for intent in rig.store.intents]


def test_files_of_one_name_in_several_folders_are_told_apart(rig):
    run = replace(rig.store.run, sources=(source("a/checks.py", "1"), source("b/checks.py", "2")))
    compare_sources(run, [source("b/checks.py", "2"), source("a/checks.py", "1")])
    for hashes in (("3", "2"), ("1", "3")):
        with pytest.raises(UsageError, match=r"checks\.py has changed"):
            compare_sources(run, [source("a/checks.py", hashes[0]), source("b/checks.py", hashes[1])])


def test_a_file_that_is_not_read_any_more_is_named(rig):
    run = replace(rig.store.run, sources=(source("plan.yaml", "1", "plan"), source("checks.py", "2")))
    with pytest.raises(UsageError, match=r"checks\.py is not read now"):
        compare_sources(run, [source("plan.yaml", "1", "plan")])
    compare_sources(run, [source("plan.yaml", "1", "plan")], but=("checks",))


def test_another_board_is_refused_by_what_its_devices_say(rig):
    run = replace(rig.store.run, devices={"PM1": {"model": "PM8", "serial": "7"}})
    compare_devices(run, {"PM1": {"serial": "7", "model": "PM8"}})
    with pytest.raises(DeviceRefused, match="serial '00123'"):
        compare_devices(run, {"PM1": {"model": "PM8", "serial": "8"}})


def test_what_was_broken_off_is_made_again_and_the_rest_stays(rig):
    visits = list(rig.store.visits[:4])
    last = visits[-1]
    visits[-1] = replace(last, visit=replace(last.visit, outcome=Outcome.ABORTED))
    resumed = to_resume(rig.plan, data_of(rig, visits), planned(rig))
    assert [record.visit.ordinal for record in resumed.earlier] == [0, 1, 2]
    assert [record.visit.ordinal for record in resumed.again] == [3]
    assert resumed.left[0].ordinal == 3


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"ended_utc": None}, "never ended"),
        ({"planned_visits": 3}, "start a new run"),
        ({"result": RunResult.INVALID}, "nothing after it would count"),
    ],
)
def test_a_run_that_cannot_go_on_says_why(rig, changes, told):
    with pytest.raises(UsageError, match=told):
        to_resume(rig.plan, data_of(rig, rig.store.visits[:2], **changes), planned(rig))


def test_a_whole_run_is_complete(rig):
    with pytest.raises(UsageError, match="is complete"):
        to_resume(rig.plan, data_of(rig), planned(rig))
