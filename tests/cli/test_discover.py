"""`cornerrun discover`: from a bench that no plan knows to a draft that preflight accepts."""

import json

import pytest


def test_the_draft_is_accepted_by_preflight_and_says_what_only_a_person_knows(cornerrun, desk):
    found = cornerrun("discover", "quickstart_bench.yaml", "--out", "draft.yaml")
    assert found.code == 0
    assert "main 0x40: maker SIMULATED, model PM8" in found.out
    assert "VOUT_MODE 0x14 (linear)" in found.out
    assert "VOUT_OV_FAULT_RESPONSE 0x80" in found.out
    text = (desk / "draft.yaml").read_text()
    assert "# TODO from the loads' data sheets" in text
    assert "# TODO checks" in text
    accepted = cornerrun("preflight", "draft.yaml")
    assert accepted.code == 0, accepted.out
    assert "0 errors" in accepted.out


def test_rails_get_the_names_of_the_channels_that_read_the_same(cornerrun, desk):
    cornerrun("discover", "quickstart_bench.yaml", "--out", "draft.yaml")
    text = (desk / "draft.yaml").read_text()
    for rail, page in (("VDD_CORE", 0), ("VDD_SRAM", 1), ("VDDQ", 2), ("VDD_IO", 3), ("VDD_AUX", 4)):
        part = text.partition(f'name: "{rail}"')[2].partition("- name")[0]
        assert f"power: {{device: PM1, page: {page}}}" in part
    # No page makes it: only the meter sees it.
    assert "why_fixed: TODO" in text.partition('name: "VTT"')[2]


def test_nothing_is_written_but_page_and_that_is_put_back(desk, monkeypatch):
    from cornerrun.bench.scan import scan
    from cornerrun.bench.simulated.bus import SimulatedLink
    from cornerrun.clock import ManualClock
    from cornerrun.plan.load import load_bench

    written = []
    for name in ("write_byte", "write_byte_data", "write_word_data", "write_block_data"):
        real = getattr(SimulatedLink, name)

        def spy(self, address, *arguments, real=real):
            written.append((address, *arguments))
            return real(self, address, *arguments)

        monkeypatch.setattr(SimulatedLink, name, spy)
    found = scan(load_bench(desk / "quickstart_bench.yaml"), ManualClock())
    assert {command for _, command, *_ in written} == {0x00}
    assert written[-1] == (0x40, 0x00, 0x00)
    assert len(found.devices[0].pages) == 5


def test_settling_is_learned_from_a_step_and_the_draft_still_holds(cornerrun, desk):
    found = cornerrun("discover", "quickstart_bench.yaml", "--addresses", "main:0x40", "--learn", "--out", "draft.yaml")
    assert found.code == 0
    text = (desk / "draft.yaml").read_text()
    assert text.count("# took ") == 5
    assert "stable_for: 60 ms" in text
    assert cornerrun("preflight", "draft.yaml").code == 0
    # The follower that the draft does not know is what its own wiring proof finds.
    ended = cornerrun("run", "draft.yaml", "--serial", "7", "--results", "out")
    assert ended.code == 3
    assert "VDDQ was stepped by +12 mV, and VTT moved by" in ended.out


def test_forty_rails_on_two_buses_are_found(cornerrun, desk):
    found = cornerrun("discover", "forty_rails_bench.yaml", "--out", "draft.yaml", "--json")
    assert found.code == 0
    devices = found.data["devices"]
    assert len({(device["bus"], device["address"]) for device in devices}) == 5
    assert sum(page["is_rail"] for device in devices for page in device["pages"]) >= 38
    assert cornerrun("preflight", "draft.yaml").code == 0


def test_an_address_where_nothing_answers_ends_with_bench_trouble(cornerrun, desk):
    found = cornerrun("discover", "quickstart_bench.yaml", "--addresses", "0x21", "--out", "draft.yaml")
    assert found.code == 3
    assert "nothing that speaks PMBus answered" in found.out
    assert not (desk / "draft.yaml").exists()


@pytest.mark.parametrize(
    ("addresses", "message"),
    [
        ("0x99", "within 0x08 to 0x77"),
        ("0x44-0x40", "within 0x08 to 0x77"),
        ("fourty", "is no address"),
        ("aux:0x40", "has no bus 'aux'; it has main"),
        ("", "is no address"),
    ],
)
def test_addresses_that_are_none_are_refused(cornerrun, desk, addresses, message):
    found = cornerrun("discover", "quickstart_bench.yaml", "--addresses", addresses)
    assert found.code == 2
    assert message in found.err


def test_a_draft_never_replaces_a_file(cornerrun, desk):
    (desk / "mine.yaml").write_text("mine")
    found = cornerrun("discover", "quickstart_bench.yaml", "--out", "mine.yaml")
    assert (found.code, (desk / "mine.yaml").read_text()) == (2, "mine")
    assert "is there already" in found.err


def test_what_a_device_calls_itself_can_not_break_the_draft(desk):
    from cornerrun.bench.plan_draft import quoted
    from cornerrun.bench.scan import scan
    from cornerrun.clock import ManualClock
    from cornerrun.plan.load import load_bench

    hostile = 'PM8"}\n# \\ : [x]\t\x01'
    assert json.loads(quoted(hostile)) == hostile
    assert scan(load_bench(desk / "quickstart_bench.yaml"), ManualClock()).troubles == ()


def test_nothing_is_stepped_where_a_page_cannot_be_believed(cornerrun, desk):
    board = desk / "quickstart_board.yaml"
    text = board.read_text()
    assert "gain_error: 0.05 %, noise: 0.2 mV" in text
    board.write_text(text.replace("gain_error: 0.05 %, noise: 0.2 mV", "gain_error: -40 %, noise: 0.2 mV"))
    found = cornerrun("discover", "quickstart_bench.yaml", "--learn", "--out", "draft.yaml")
    assert found.code == 3
    assert "main 0x40 page 2: it asks for 1.2 V and reads 720" in found.err
    assert "nothing was stepped" in found.err
    assert not (desk / "draft.yaml").exists()


def test_a_bench_without_a_readable_rail_says_why_nothing_was_drafted(cornerrun):
    found = cornerrun("discover", "quickstart_bench.yaml", "--addresses", "0x22", "--out", "draft.yaml")
    assert found.code == 3
    assert "nothing to draft" in found.err
