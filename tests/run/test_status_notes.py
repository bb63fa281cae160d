"""Warnings of devices: captured, noted, cleared, and gone at the next corner."""

from fake_bench import Rig

from cornerrun.run.journal import Journal
from cornerrun.run.status_notes import StatusNotes


def _notes(rig: Rig) -> StatusNotes:
    return StatusNotes(faults=rig.board, journal=Journal(rig.clock, rig))


def _look(rig: Rig, notes: StatusNotes) -> frozenset[str]:
    return notes.look("all high", rig.board.read(["CORE", "DDR", "IO"]))


def test_a_quiet_board_costs_nothing():
    rig = Rig()
    assert _look(rig, _notes(rig)) == frozenset()
    assert "capture" not in rig.board.counts


def test_a_warning_is_captured_before_it_is_cleared_and_only_its_rail():
    rig = Rig()
    rig.board.outputs["DDR"].registers.update(STATUS_WORD=0x8000, STATUS_VOUT=0x40)
    assert _look(rig, _notes(rig)) == frozenset()
    assert [entry for entry in rig.log if entry[0] in {"capture", "clear"}] == [
        ("capture", ("DDR",)),
        ("clear", ("DDR",)),
    ]
    assert rig.told[0].text == "DDR: status at all high: STATUS_WORD 0x8000, STATUS_VOUT 0x40"


def test_the_device_that_clamps_is_named():
    rig = Rig()
    rig.board.outputs["DDR"].registers.update(STATUS_WORD=0x8000, STATUS_VOUT=0x08)
    assert _look(rig, _notes(rig)) == {"DDR"}


def test_what_latched_at_a_corner_is_cleared_once_more_when_the_rails_have_left_it():
    rig = Rig()
    notes = _notes(rig)
    rig.board.outputs["DDR"].registers.update(STATUS_WORD=0x8000, STATUS_VOUT=0x40)
    _look(rig, notes)
    rig.board.outputs["DDR"].registers.update(STATUS_WORD=0x8000, STATUS_VOUT=0x40)
    notes.before_sweep()
    assert _look(rig, notes) == frozenset()
    assert rig.board.counts["capture"] == 1
    notes.before_sweep()
    assert rig.board.counts["clear"] == 2


def test_bits_that_stand_at_nominal_are_noted_once_and_not_at_each_corner():
    rig = Rig()
    notes = _notes(rig)
    rig.board.outputs["IO"].registers["STATUS_WORD"] = 0x1000
    assert notes.learn(rig.board.read(["IO"])) == {"IO": 0x1000}
    rig.board.outputs["IO"].registers["STATUS_WORD"] = 0x1000
    assert notes.know(rig.board.read(["IO"])) == {"IO": 0x1000}
    rig.board.outputs["IO"].registers["STATUS_WORD"] = 0x1000
    _look(rig, notes)
    assert rig.board.counts["capture"] == 1


def test_busy_says_nothing_of_a_rail():
    rig = Rig()
    rig.board.outputs["IO"].registers["STATUS_WORD"] = 0x0080
    _look(rig, _notes(rig))
    assert "capture" not in rig.board.counts
