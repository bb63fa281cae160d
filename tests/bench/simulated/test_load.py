from pathlib import Path

import pytest

from cornerrun.bench.simulated.load import load_simulation
from cornerrun.errors import PlanProblems

HEAD = """format: 1
managers:
  PM1: {bus: main, address: 0x40}
  PM2: {bus: main, address: 0x41, pages: 2}
rails:
  - {name: A, nominal: 1.2 V, power: {device: PM1, page: 0}}
"""


def problems(tmp_path: Path, text: str) -> list[str]:
    path = tmp_path / "board.yaml"
    path.write_text(text)
    with pytest.raises(PlanProblems) as raised:
        load_simulation(path)
    return [f"{p.line}:{p.column}: {p.field}: {p.came}; {p.advice}" for p in raised.value.problems]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (
            "  - {name: B, nominal: 1 V, power: {device: PM3, page: 0}}",
            "7:45: rails[B].power.device: there is no manager 'PM3'; did you mean 'PM",
        ),
        (
            "  - {name: B, nominal: 1 V, power: {device: PM1, page: 0}}",
            "7:56: rails[B].power.page: page 0 of PM1 is that of A too; give each rail a page of its own",
        ),
        (
            "  - {name: B, nominal: 1 V, power: {device: PM2, page: 2}}",
            "7:56: rails[B].power.page: PM2 has pages 0 to 1, not 2; use one of those, or raise 'pages'",
        ),
        (
            "  - {name: B, nominal: 17 V, power: {device: PM2, page: 1}}",
            "7:24: rails[B].nominal: no word of exponent -12 holds 17 V; raise 'exponent' of PM2",
        ),
        (
            "  - {name: A, nominal: 1 V}",
            "7:12: rails[A].name: the rail 'A' stands here twice; give each rail a name of its own",
        ),
        (
            "  - {name: B, nominal: 1 V, tracks: {rail: X, ratio: 0.5}}",
            "7:44: rails[B].tracks.rail: there is no rail 'X'",
        ),
        (
            "  - {name: B, nominal: 1 V, tracks: {rail: B, ratio: 1}}",
            "7:44: rails[B].tracks.rail: B follows itself in the end; let the first of a chain track nothing",
        ),
        ("channels: {B: 101}", "7:15: channels.B: there is no rail 'B'"),
        (
            "  - {name: B, nominal: 1 V}\nchannels: {A: 101, B: 101}",
            "8:23: channels.B: channel 101 is wired to A already; give each rail a channel of its own",
        ),
        (
            "  - {name: B, nominal: 1 V, registers: {VOUT_TRIMM: 1}}",
            "no paged register that can be preset is called 'VOUT_TRIMM'; did you mean 'VOUT_TRIM'?",
        ),
        (
            "  - {name: B, nominal: 1 V, registers: {OPERATION: 0x100}}",
            "registers.OPERATION: 0x100 is no byte; write 0x00 to 0xFF",
        ),
        (
            "  - {name: B, nominal: 1 V, registers: {READ_VOUT: 1}}",
            "no paged register that can be preset is called 'READ_VOUT'",
        ),
        ("  - {name: B, nominal: -1 V}", "rails[B].nominal"),
        ("  - {name: B, nominal: 1}", "has no unit; write it like '1 V'"),
        ("  - {name: B, nominal: 1 V, time_constnt: 1 ms}", "did you mean 'time_constant'?"),
        ("faults: {trips: [{rail: A}]}", "nothing says when; give 'at', 'when', 'visits' or 'corner'"),
        ("faults: {trips: [{rail: C, at: 1 s}]}", "there is no rail 'C'"),
        ("faults: {trips: [{rail: A, when: {A: {}}}]}", "the band is open; give 'below' or 'above'"),
        ("faults: {trips: [{rail: A, when: {Q: {below: 1 V}}}]}", "there is no rail 'Q'"),
        (
            "  - {name: B, nominal: 1 V}\nfaults: {trips: [{rail: B, at: 1 s}]}",
            "B is on no page that could trip; name a rail with 'power'",
        ),
        ("faults: {dead_devices: [{device: PM9, at: 1 s}]}", "there is no manager 'PM9'"),
        ("faults: {resets: [{device: PM9, at: 1 s}]}", "there is no manager 'PM9'"),
        ("faults: {bus_errors: [{bus: mian, bit_errors: 1 %}]}", "there is no bus 'mian'; did you mean 'main'?"),
        (
            "faults: {bus_errors: [{bus: main, bit_errors: 1 %}, {bus: main, no_acknowledge: 1 %}]}",
            "the errors of bus 'main' stand here twice; write them in one entry",
        ),
        ("faults: {bus_errors: [{bus: main, bit_errors: 101 %}]}", "faults.bus_errors[0].bit_errors"),
        ("seed: -1", "seed"),
        ("format: 2", "format"),
    ],
)
def test_a_broken_file_says_where_and_what_to_write(tmp_path: Path, more: str, said: str) -> None:
    text = HEAD.replace("format: 1\n", "") + more if more.startswith("format") else HEAD + more
    assert any(said in problem for problem in problems(tmp_path, text + "\n")), problems(tmp_path, text + "\n")


def test_two_managers_of_a_bus_have_two_addresses(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, HEAD.replace("0x41", "0x40"))
    assert problem == (
        "4:29: managers.PM2.address: address 0x40 on bus 'main' is that of PM1 too; "
        "give each manager of a bus its own address"
    )


def test_all_problems_appear_together_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = HEAD + "channels: {X: 1}\nfaults: {resets: [{device: PM9, at: 1 s}], trips: [{rail: A}]}\n"
    assert [problem.partition(":")[0] for problem in problems(tmp_path, text)] == ["7", "8", "8"]


def test_defaults_fill_in_what_rails_leave_out(tmp_path: Path) -> None:
    path = tmp_path / "board.yaml"
    path.write_text(HEAD + "defaults: {rail: {time_constant: 7 ms, adc: {noise: 3 mV}}}\n")
    (rail,) = load_simulation(path).model.rails
    assert rail.time_constant == 0.007
    assert rail.adc.noise == 0.003


def test_the_hash_of_the_file_comes_with_it(tmp_path: Path) -> None:
    path = tmp_path / "board.yaml"
    path.write_text(HEAD)
    source = load_simulation(path).source
    assert (source.role, source.path, len(source.sha256)) == ("simulation", path, 64)


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ("coupling: {Q: 1 %}", "rails[B].coupling.Q: there is no rail 'Q'"),
        ("coupling: {B: 1 %}", "B would couple into itself; name another rail"),
        ("upstream: {rail: Q}", "rails[B].upstream.rail: there is no rail 'Q'"),
        ("upstream: {rail: B}", "B feeds itself in the end; let the first of a chain hang on 'input'"),
        ("servo: {step: 1 mV}, power: null", "nothing moves B by itself"),
        ("servo: {step: 1 mV, period: 1 us}", "rails[B].servo.period"),
        ("ringing: {natural_frequency: 1 kHz, damping: 0}", "rails[B].ringing.damping"),
        ("load_steps: [{current: 1 A}]", "a load step has one cause; give either 'check' or 'at'"),
        ("load_steps: [{current: 1 A, check: c, at: 1 s}]", "a load step has one cause; give either 'check' or 'at'"),
        ("load_steps: [{current: 1 A, check: c, lasts: 1 s}]", "leave out 'every' and 'lasts'"),
        ("load_steps: [{current: 1 A, at: 1 s, every: 1 s, lasts: 2 s}]", "give 'lasts', shorter than 'every'"),
        ("drift: {amount: 1 mV, over: 0 s}", "rails[B].drift.over"),
        ("ripple: {amplitude: 5}", "write it like"),
    ],
)
def test_a_rail_whose_physics_cannot_be_says_what_to_write(tmp_path: Path, keys: str, said: str) -> None:
    power = "" if "power" in keys else ", power: {device: PM2, page: 0}"
    keys = keys.replace(", power: null", "")
    text = f"{HEAD}  - {{name: B, nominal: 1 V{power}, {keys}}}\n"
    assert any(said in problem for problem in problems(tmp_path, text)), problems(tmp_path, text)


def test_rails_that_feed_each_other_in_a_ring_are_named(tmp_path: Path) -> None:
    text = (
        HEAD
        + "  - {name: B, nominal: 1 V, upstream: {rail: C}}\n"
        + "  - {name: C, nominal: 1 V, tracks: {rail: B, ratio: 1}}\n"
    )
    assert any("B feeds itself in the end" in problem for problem in problems(tmp_path, text))


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ("format: direct", "managers.PM3.format: coefficients and the direct format belong together"),
        ("direct: {m: 1}", "managers.PM3.direct: coefficients and the direct format belong together"),
        ("format: direct, direct: {m: 0}", "m = 0 holds no number; write what COEFFICIENTS tells"),
        ("format: direct, direct: {m: 30000}", "rails[B].nominal"),
        ("format: direct, direct: {m: 1}, relative: true", "no source says how words are read"),
        ("format: vid", "managers.PM3.format"),
        ("lacks: [VOUT_MARGIN_HIHG]", "is no register of a simulated manager; did you mean 'VOUT_MARGIN_HIGH'?"),
        ("always_writable: [CLEAR_FAULT]", "did you mean 'CLEAR_FAULTS'?"),
        ("supply: {rail: Q, brown_out: 2 V}", "managers.PM3.supply.rail: there is no rail 'Q'"),
        ("responses: []", "a device knows some response"),
        ("responses: [explode]", "managers.PM3.responses[0]"),
        ("fault_log: {entries: 6}", "managers.PM3.fault_log.entries"),
    ],
)
def test_a_manager_that_cannot_be_says_what_to_write(tmp_path: Path, keys: str, said: str) -> None:
    managers = HEAD.replace("rails:", f"  PM3: {{bus: main, address: 0x42, {keys}}}\nrails:")
    text = managers + "  - {name: B, nominal: 2 V, power: {device: PM3, page: 0}}\n"
    assert any(said in problem for problem in problems(tmp_path, text)), problems(tmp_path, text)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("fault_lines: {F0: {driven_by: [Q], obeyed_by: [A]}}", "fault_lines.F0.driven_by[0]: there is no rail 'Q'"),
        ("faults: {shorts: [{rail: Q, at: 1 s}]}", "there is no rail 'Q'"),
        ("faults: {shorts: [{rail: A}]}", "nothing says when"),
        ("faults: {brown_outs: [{to: 1 V, lasts: 1 s}]}", "nothing says when"),
        ("faults: {resets: [{device: PM1}]}", "nothing says when"),
        ("faults: {trips: [{rail: A, at: 1 s, after: 1 s}]}", "it counts from the start of a visit"),
        ("faults: {trips: [{rail: A, at: 1 s, probability: 120 %}]}", "faults.trips[0].probability"),
        ("faults: {dead_segments: [{devices: [PM1, PM8], at: 1 s}]}", "there is no manager 'PM8'"),
        ("faults: {dead_segments: [{devices: [], at: 1 s}]}", "faults.dead_segments[0].devices"),
        ("faults: {absurd_modes: [{device: PM8, at: 1 s}]}", "there is no manager 'PM8'"),
        ("faults: {stale_pages: [{device: PM8, lasts: 1 ms}]}", "there is no manager 'PM8'"),
        ("faults: {bus_events: [{bus: mian, kind: stuck}]}", "there is no bus 'mian'; did you mean 'main'?"),
        ("faults: {bus_events: [{bus: main, kind: stukc}]}", "faults.bus_events[0].kind"),
        ("faults: {bus_events: [{bus: main, kind: stuck, page: 1}]}", "only a page flip leads to a page"),
        ("faults: {bus_events: [{bus: main, kind: stuck, device: PM8}]}", "there is no manager 'PM8'"),
        (
            "faults: {bus_events: [{bus: main, kind: stuck, command: OPRATION}]}",
            "'OPRATION' is no register of a simulated manager; did you mean 'OPERATION'?",
        ),
    ],
)
def test_trouble_that_cannot_be_planted_says_what_to_write(tmp_path: Path, more: str, said: str) -> None:
    assert any(said in problem for problem in problems(tmp_path, HEAD + more + "\n"))


def test_a_scripted_event_names_a_manager_of_its_bus(tmp_path: Path) -> None:
    text = HEAD.replace("PM2: {bus: main", "PM2: {bus: aux")
    more = "faults: {bus_events: [{bus: main, kind: stuck, device: PM2}]}\n"
    assert any(
        "PM2 is on bus 'aux'; name a manager of this bus" in problem for problem in problems(tmp_path, text + more)
    )
