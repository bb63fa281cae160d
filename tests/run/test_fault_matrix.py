"""Planted faults of every kind, at every part of a run: who is named, how it ends, what was read before it was cleared.

A named originator is the rail on which the fault was planted, or nobody is named. The bus is listened to: before the
bit of a fault has been read there is no CLEAR_FAULTS, and no turning on, which clears as well (PMBus Part II 10.2.3,
from memory).
"""

from dataclasses import dataclass, field
from pathlib import Path

import pytest
from fault_desk import CLEAR_FAULTS, OPERATION, FaultDesk

from cornerrun.results.records import EndState, Outcome

NOBODY = "undetermined"
LINE = "fault_lines:\n  F0: {driven_by: [CORE, SRAM, DDR, AUX], obeyed_by: [CORE, SRAM, DDR, AUX], delay: DELAYMORE}\n"
CHECK = """
checks:
  - {name: shell, python: "cornerrun.bench.simulated.checks:trial", trials: 20, timeout: 400 ms, takes: 10 ms,
     settings: {through: console}}
"""
SHELL = "board:\n  checks: {shell: {thresholds: [{rail: CORE, below: 0.1 V, spread: 1 mV}]}}\n  console: {}\n"
HANGS = "  boot: {time: 500 ms, needs: {CORE: 0.7 V}}\n  hangs: [{edge: {rail: CORE, below: 0.82 V}, after: 1 ms}]\n"
POWER = "power_up: {cycles: 2, ready: {console: ready, timeout: 5 s}}\n"
CONSOLE = "console: simulated"
LOW, HIGH = ("nominal", "all low"), ("nominal", "all high")
RAILS = {(0x40, 0): "CORE", (0x40, 1): "SRAM", (0x41, 0): "DDR", (0x41, 1): "AUX"}


@dataclass(frozen=True, kw_only=True)
class Planted:
    """What is planted, and what must come of it. ``originator`` None: no fault is kept with a visit."""

    name: str
    faults: str
    originator: str | None
    outcome: Outcome
    end: EndState = EndState.NOMINAL
    only: tuple[str, ...] = LOW
    hold_s: float = 0.0
    checks: bool = False
    log: bool = True
    texts: dict[str, str] = field(default_factory=dict)
    before_end_s: float | None = None


def line(delay: str = "1 ms", more: str = "") -> dict[str, str]:
    return {"BOARD": LINE.replace("DELAY", delay).replace("MORE", more)}


def trip(rail: str, shows: str = "uv_fault", after: str = "20 ms", corner: str = "all low") -> str:
    return f"{{rail: {rail}, shows: {shows}, corner: {corner}, after: {after}}}"


def trips(*items: str) -> str:
    return "  trips: [" + ", ".join(items) + "]"


def _single() -> list[Planted]:
    found = []
    for rail in ("CORE", "SRAM", "DDR", "AUX"):
        for shows in ("uv_fault", "ov_fault", "oc_fault", "ot_fault"):
            found.append(
                Planted(
                    name=f"{rail} {shows}, latched",
                    faults=trips(trip(rail, shows)),
                    originator=rail,
                    outcome=Outcome.TRIPPED,
                    end=EndState.NOMINAL if shows == "uv_fault" else EndState.OFF,
                )
            )
    for after, part in (("0.5 ms", "move"), ("10 ms", "settle"), ("45 ms", "late settle"), ("75 ms", "measure")):
        found.append(
            Planted(
                name=f"SRAM during {part}",
                faults=trips(trip("SRAM", after=after)),
                originator="SRAM",
                outcome=Outcome.TRIPPED,
            )
        )
    for rail, shows, end in (("DDR", "uv_fault", EndState.NOMINAL), ("CORE", "oc_fault", EndState.OFF)):
        found.append(
            Planted(
                name=f"{rail} {shows} during soak",
                faults=trips(trip(rail, shows, after="600 ms")),
                originator=rail,
                outcome=Outcome.TRIPPED,
                end=end,
                hold_s=1.0,
            )
        )
        found.append(
            Planted(
                name=f"{rail} {shows} at the high corner",
                faults=trips(trip(rail, shows, corner="all high")),
                originator=rail,
                outcome=Outcome.TRIPPED,
                end=end,
                only=HIGH,
            )
        )
        found.append(
            Planted(
                name=f"{rail} {shows} during a check",
                faults=trips(trip(rail, shows, after="180 ms")),
                originator=rail,
                outcome=Outcome.TRIPPED,
                end=end,
                checks=True,
                texts={"BOARD": SHELL, "CHECKS": CHECK},
            )
        )
    return found


def _propagated() -> list[Planted]:
    found = [
        Planted(
            name=f"{rail} {shows} takes all down",
            faults=trips(trip(rail, shows)),
            originator=rail,
            outcome=Outcome.TRIPPED,
            end=EndState.NOMINAL if shows == "uv_fault" else EndState.OFF,
            texts=line(),
        )
        for rail, shows in (
            ("CORE", "uv_fault"),
            ("SRAM", "uv_fault"),
            ("DDR", "uv_fault"),
            ("AUX", "uv_fault"),
            ("CORE", "ov_fault"),
            ("DDR", "oc_fault"),
        )
    ]
    for name, more in (
        ("line that does not latch", {"texts": line(more=", latches: false")}),
        ("line that followers show", {"texts": line(more=", shows: true")}),
        ("slow line", {"texts": line(delay="30 ms")}),
        ("line, no fault log", {"texts": line(), "log": False}),
        ("line during soak", {"texts": line(), "hold_s": 1.0}),
    ):
        after = "600 ms" if "soak" in name else "20 ms"
        found.append(
            Planted(
                name=f"SRAM through a {name}",
                faults=trips(trip("SRAM", after=after)),
                originator="SRAM",
                outcome=Outcome.TRIPPED,
                **more,
            )
        )
    fed = {"SUPPLY": ", upstream: {rail: AUX, dropout: 200 mV}", "OF_DDR": ", upstream: {rail: AUX, dropout: 200 mV}"}
    found.append(
        Planted(
            name="what AUX feeds falls with it, no fault log",
            faults=trips(trip("AUX")),
            originator="AUX",
            outcome=Outcome.TRIPPED,
            log=False,
            texts=fed,
        )
    )
    return found


def _simultaneous() -> list[Planted]:
    found = []
    for name, first, second, says, log in (
        ("SRAM 2 ms before CORE, stamped", ("SRAM", "20 ms"), ("CORE", "22 ms"), "SRAM", True),
        ("CORE 2 ms before SRAM, stamped", ("CORE", "20 ms"), ("SRAM", "22 ms"), "CORE", True),
        ("SRAM 2 ms before CORE, no log", ("SRAM", "20 ms"), ("CORE", "22 ms"), NOBODY, False),
        ("SRAM and CORE at once", ("SRAM", "20 ms"), ("CORE", "20 ms"), NOBODY, True),
        ("SRAM and DDR, two clocks", ("SRAM", "20 ms"), ("DDR", "22 ms"), NOBODY, True),
        ("AUX and DDR, stamped", ("AUX", "20 ms"), ("DDR", "21 ms"), "AUX", True),
    ):
        found.append(
            Planted(
                name=name,
                faults=trips(trip(first[0], after=first[1]), trip(second[0], after=second[1])),
                originator=says,
                outcome=Outcome.TRIPPED,
                log=log,
            )
        )
    fed = {
        f"OF_{rail}": ", upstream: {rail: input, duty: 90 %, lockout: 6 V}" for rail in ("CORE", "SRAM", "DDR", "AUX")
    }
    found.append(
        Planted(
            name="the input browns out",
            faults="  brown_outs: [{to: 4 V, lasts: 300 ms, corner: all low, after: 20 ms}]",
            originator=NOBODY,
            outcome=Outcome.TRIPPED,
            texts=fed | {"MANAGER": ", input: {uv_fault: 7 V}"},
        )
    )
    return found


def _retrying() -> list[Planted]:
    at_low = ", limits: {uv_fault: 0.86 V, uv_warn: 0.865 V}, registers: {VOUT_UV_FAULT_RESPONSE: BYTE}"
    found = [
        Planted(
            name=f"SRAM crosses its limit, {name}",
            faults="",
            originator="SRAM",
            outcome=Outcome.TRIPPED,
            texts={"OF_SRAM": at_low.replace("BYTE", byte), "MANAGER": f", retry: {retry}"},
        )
        for name, byte, retry in (
            ("latched", "0x80", "100 ms"),
            ("tried again after 300 ms", "0xBF", "300 ms"),
            ("tried again after 2 ms", "0xBF", "2 ms"),
            ("tried again three times", "0x98", "50 ms"),
        )
    ]
    found.append(
        Planted(
            name="a short that stays",
            faults="  shorts: [{rail: DDR, corner: all low, after: 20 ms, share: 5 %}]",
            originator="DDR",
            outcome=Outcome.TRIPPED,
            end=EndState.OFF,
        )
    )
    found.append(
        Planted(
            name="a short that goes",
            faults="  shorts: [{rail: DDR, corner: all low, after: 20 ms, share: 5 %, lasts: 50 ms}]",
            originator="DDR",
            outcome=Outcome.TRIPPED,
            end=EndState.OFF,
        )
    )
    heavy = ", output_resistance: 20 mOhm, load_steps: [{current: 9 A, at: 170 ms}]"
    found.append(
        Planted(
            name="an overload that outlasts every try",
            faults="",
            originator="CORE",
            outcome=Outcome.TRIPPED,
            end=EndState.OFF,
            texts={"OF_CORE": f"{heavy}, registers: {{VOUT_UV_FAULT_RESPONSE: 0xBF}}", "MANAGER": ", retry: 100 ms"},
        )
    )
    return found


def _hung_and_late() -> list[Planted]:
    texts = {"BOARD": SHELL + HANGS, "CHECKS": CHECK + POWER, "BENCH": CONSOLE}
    found = [
        Planted(
            name="the board hangs at margin low",
            faults="",
            originator=None,
            outcome=Outcome.NO_ANSWER,
            checks=True,
            texts=texts,
        ),
        Planted(
            name="a trip of a board that is power-cycled",
            faults=trips(trip("SRAM", corner="all high")),
            originator="SRAM",
            outcome=Outcome.TRIPPED,
            only=HIGH,
            checks=True,
            texts=texts,
        ),
    ]
    for shows in ("uv_fault", "ov_fault"):
        for before_end_s in (0.03, 0.05):
            found.append(
                Planted(
                    name=f"SRAM {shows}, {1e3 * before_end_s:g} ms before the end, on the way back",
                    faults=f"  trips: [{{rail: SRAM, shows: {shows}, at: END}}]",
                    originator=None,
                    outcome=Outcome.PASS,
                    end=EndState.OFF,
                    before_end_s=before_end_s,
                )
            )
    return found


MATRIX = [*_single(), *_propagated(), *_simultaneous(), *_retrying(), *_hung_and_late()]


def _run(directory: Path, case: Planted):
    faults = case.faults
    if case.before_end_s is not None:
        (directory / "clean").mkdir()
        clean = FaultDesk(directory / "clean", trips("{rail: SRAM, shows: uv_fault, at: 1000 s}"), **case.texts)
        clean.run(case.only)
        faults = faults.replace("END", f"{clean.clock.now_s() - case.before_end_s:.6f} s")
        clean.close()
    (directory / "desk").mkdir()
    one = FaultDesk(directory / "desk", faults, log=case.log, **case.texts)
    end, visits = one.run(case.only, checks=case.checks, hold_s=case.hold_s)
    return one, end, visits


def _cleared_unread(one: FaultDesk) -> list[str]:
    """Find faults whose bit was cleared before anybody had read it."""
    page: dict[int, int] = {0x40: 0, 0x41: 0}
    is_on = dict.fromkeys(RAILS, True)
    waiting = list(one.faults)
    unread: dict[tuple[int, int], list[tuple[int, int]]] = {}
    found = []
    for at_s, method, address, command, rest, answer in one.exchanges:
        while waiting and waiting[0][2] <= at_s:
            faulted, number, _, code, bits = waiting.pop(0)
            unread.setdefault((faulted, number), []).append((code, bits))
        if method == "write_byte_data" and command == 0x00:
            page[address] = rest[0]
        place = (address, page.get(address, 0))
        if method.startswith("read_byte") and isinstance(answer, int):
            left = [item for item in unread.get(place, []) if not (item[0] == command and answer & item[1])]
            unread[place] = left
        turns_on = False
        if method == "write_byte_data" and command == OPERATION:
            turns_on = bool(rest[0] & 0x80) and not is_on[place]
            is_on[place] = bool(rest[0] & 0x80)
        if (command == CLEAR_FAULTS or turns_on) and unread.get(place):
            found.append(f"{RAILS[place]}: {unread.pop(place)} cleared unread at {at_s:.4f} s")
    return found


@pytest.mark.parametrize("case", MATRIX, ids=[case.name for case in MATRIX])
def test_a_planted_fault_is_understood_and_the_board_is_safe(tmp_path: Path, case: Planted):
    one, end, visits = _run(tmp_path, case)
    try:
        faults = [fault for record in visits for fault in record.faults]
        outcomes = [record.visit.outcome for record in visits]
        assert [fault.originator for fault in faults] == ([] if case.originator is None else [case.originator])
        assert case.outcome in outcomes
        if case.originator is not None:
            assert [record.visit.outcome for record in visits if record.faults] == [case.outcome]
        assert end.end_state is case.end, end.why
        assert _cleared_unread(one) == []
        volts = one.truth_v()
        for rail in one.plan.rails:
            if case.end is EndState.NOMINAL:
                assert volts[rail.name] == pytest.approx(rail.nominal_v, rel=0.006)
            else:
                assert volts[rail.name] < 0.05
        assert end.exit_code == {EndState.OFF: 4}.get(case.end, 1)
        assert "internal error" not in end.why
        if case.before_end_s is not None:
            told = [event.what for event in one.store.load(end.run_id).events if "on the way back" in event.what]
            assert any("originator: SRAM" in what for what in told)
    finally:
        one.close()


def test_the_matrix_is_as_large_and_as_mixed_as_it_must_be():
    assert len(MATRIX) >= 40
    assert len({case.name for case in MATRIX}) == len(MATRIX)
    assert sum(case.originator == NOBODY for case in MATRIX) <= len(MATRIX) / 8


def test_the_listener_sees_a_fault_that_is_cleared_unread(tmp_path: Path):
    one = FaultDesk(tmp_path, trips("{rail: SRAM, shows: uv_fault, at: 0.1 s}"))
    try:
        one.bench.power.connect()
        one.clock.sleep_until(0.2)
        one.bench.faults.clear(["SRAM"])
        assert [text.partition(":")[0] for text in _cleared_unread(one)] == ["SRAM"]
    finally:
        one.close()
