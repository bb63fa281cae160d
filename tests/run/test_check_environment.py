from pathlib import Path

from cornerrun.run.check_environment import environment
from cornerrun.run.view import CheckView, RailView
from cornerrun.run.wire import decode_view, encode_view, frame, unframe

VIEW = CheckView(
    check="link errors", corner="all low @ ambient hot", levels={"VDD-IO 1": "low"},
    readings={"VDD-IO 1": RailView(level="low", target_v=1.71, setpoint_v=None, telemetry_v=1.7112, reference_v=None)},
    conditions={"ambient": 333.15}, visit=4, trial=2, seed=9, serial="00123", directory=Path("/plans/a b"),
    unit={"lot": "nul\0 and \ud800"}, settings={"depth": "64"},
)  # fmt: skip


def test_names_become_capitals_and_underscores_and_unknown_voltages_are_left_out() -> None:
    found = environment(VIEW)
    assert found["CORNERRUN_LEVEL_VDD_IO_1"] == "low"
    assert found["CORNERRUN_VOLTS_VDD_IO_1"] == found["CORNERRUN_TELEMETRY_VDD_IO_1"] == "1.7112"
    assert "CORNERRUN_REFERENCE_VDD_IO_1" not in found
    assert found["CORNERRUN_DIRECTORY"] == "/plans/a b"


def test_a_value_is_always_fit_for_an_environment() -> None:
    for value in environment(VIEW).values():
        assert "\0" not in value
        value.encode()


def test_a_view_comes_back_from_its_message() -> None:
    buffer = bytearray(frame({"view": encode_view(VIEW)}) + b"\0\0")
    message = unframe(buffer)
    assert message is not None
    assert decode_view(message["view"]) == VIEW  # type: ignore[arg-type]
    assert unframe(buffer) is None
    assert bytes(buffer) == b"\0\0"
