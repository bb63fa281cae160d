"""The device's own limits during a whole run, and after it."""

import pytest
from fault_desk import FaultDesk

from cornerrun.results.records import EndState, Outcome
from cornerrun.run.rescue import to_nominal

VOUT_MAX, OV_FAULT = 0x24, 0x40
LSB_V = 2.0**-12


@pytest.fixture
def desk(tmp_path):
    made = []

    def make(*args, **texts) -> FaultDesk:
        made.append(FaultDesk(tmp_path, *args, **texts))
        return made[-1]

    yield make
    for one in made:
        one.close()


def _held(one: FaultDesk) -> dict:
    one.bench.power.connect()
    return {
        (register.address, register.page, register.command): register.data
        for register in one.bench.safety.take_baseline().registers
    }


def _written(one: FaultDesk, code: int) -> set[int]:
    return {rest[0] for method, _, command, rest in one.messages if method == "write_word_data" and command == code}


def test_every_limit_is_at_its_hard_limit_during_the_run_and_as_it_was_afterwards(desk):
    one = desk()
    before = _held(one)
    end, visits = one.run(("nominal", "all*"))
    assert (end.end_state, end.exit_code) == (EndState.NOMINAL, 0)
    tight = {int(rail.hard_limits.max_v / LSB_V) for rail in one.plan.rails}
    assert tight <= _written(one, OV_FAULT)
    assert tight <= _written(one, VOUT_MAX)
    assert _held(one) == before
    data = one.store.load(end.run_id)
    assert not [event.what for event in data.events if "configuration" in event.what or "second master" in event.what]
    assert {record.visit.outcome for record in visits} == {Outcome.PASS}


def test_a_stray_word_above_the_hard_limit_meets_the_tightened_limit(desk):
    """Somebody else asks for 10 % above nominal: the output stays at VOUT_MAX, inside the hard limit."""
    one = desk()
    one.bench.power.connect()
    from cornerrun.corners.model import RailLevel

    one.bench.power.move([RailLevel(rail="CORE", level="high")])
    link = one.simulation.link("main")
    link.write_byte_data(0x40, 0x00, 0)
    link.write_word_data(0x40, 0x25, round(0.85 * 1.2 / LSB_V))
    assert one.truth_v()["CORE"] <= 0.92


def test_limits_that_the_plan_keeps_are_not_written_and_the_reason_is_told(desk):
    one = desk(CHECKS="limits_kept: {all: the comparators of this lot glitch}")
    end, _ = one.run(("nominal", "all*"))
    assert not _written(one, OV_FAULT) | _written(one, VOUT_MAX)
    told = [event for event in one.store.load(end.run_id).events if "comparators of this lot glitch" in event.what]
    assert {event.rail for event in told} == {rail.name for rail in one.plan.rails}


def test_to_nominal_after_a_lost_run_puts_limits_back_and_blames_nobody(desk):
    one = desk()
    before = _held(one)
    lost = {"writes": 0}

    class Lost(BaseException):
        """Stands for SIGKILL."""

    def intend(intent, finished=None, *, real=one.store.intend):
        real(intent, finished)
        lost["writes"] += 1
        if lost["writes"] == 4:
            raise Lost

    store, safety = one.store, one.bench.safety

    class Store:
        def __getattr__(self, name):
            return {"intend": intend, "end_run": lambda *_: None}.get(name) or getattr(store, name)

    class Nothing:
        def __getattr__(self, name):
            if name in ("to_nominal", "turn_off"):
                raise Lost
            return getattr(safety, name)

    from dataclasses import replace

    one.store, bench = Store(), one.bench
    one.bench = replace(bench, safety=Nothing())
    one.run(("nominal", "all*"))
    one.store, one.bench = store, bench
    link = one.simulation.link("main")
    link.write_byte_data(0x40, 0x00, 0)
    assert link.read_word_data(0x40, OV_FAULT) == int(0.92 / LSB_V), "the run was lost with tightened limits"
    rescued = to_nominal(one.plan, one.bench_file, one.bench, one.store, one.clock)
    assert rescued.end_state is EndState.NOMINAL
    assert _held(one) == before
    assert not [note for note in one.bench.notes() if "second master" in note.what]


def test_a_run_that_ends_off_leaves_no_limit_tightened(desk):
    one = desk("  trips: [{rail: SRAM, shows: ov_fault, corner: all low, after: 20 ms}]")
    end, _ = one.run(("nominal", "all low"))
    assert end.end_state is EndState.OFF
    told = [event.what for event in one.store.load(end.run_id).events if "configuration changed" in event.what]
    assert not [what for what in told if "VOUT_MAX" in what or "VOUT_OV_FAULT_LIMIT" in what]
