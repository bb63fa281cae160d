def test_a_dry_run_lists_steps_and_messages_and_touches_nothing(cornerrun, desk):
    before = sorted(path.name for path in desk.iterdir())
    shown = cornerrun("run", "quickstart.yaml", "--dry", "--only", "all high")
    assert shown.code == 0
    assert "visit 1: all high (moves VDD_CORE high, VDD_SRAM high, VDDQ high, VDD_IO high)" in shown.out
    assert "write OPERATION = margin high" in shown.out
    assert "meter: measure VDD_CORE" in shown.out
    assert sorted(path.name for path in desk.iterdir()) == before, "no store, no folder"


def test_a_dry_run_goes_to_a_program_unfolded(cornerrun):
    sections = cornerrun("run", "quickstart.yaml", "--dry", "--only", "all high", "--json").data
    assert [section["visit"] for section in sections] == [None, 0, 1, 2, None]
    assert sections[2]["moves"] == [{"VDD_CORE": "high", "VDD_SRAM": "high", "VDDQ": "high", "VDD_IO": "high"}]
    writes = [one for one in sections[2]["messages"] if one["kind"] == "write" and one["what"] == "OPERATION"]
    assert [one["page"] for one in writes] == [0, 1, 2, 3]


def test_a_run_that_is_not_dry_needs_a_serial_number(cornerrun):
    asked = cornerrun("run", "quickstart.yaml")
    assert asked.code == 2
    assert "Missing option '--serial'" in asked.err


def test_an_intermittent_corner_is_visited_again_and_again_between_nominals(cornerrun):
    arguments = ("--only", "all low", "--repeat", "3", "--interleave", "nominal", "--dry", "--json")
    sections = cornerrun("run", "quickstart.yaml", *arguments).data
    visits = [section["corner"] for section in sections if section["visit"] is not None]
    assert visits == ["nominal", *["all low", "nominal"] * 3, "nominal"]
    run = cornerrun(
        "run", "quickstart.yaml", "--serial", "7", "--seed", "1", "--no-workbook", *arguments[:-2], "--json"
    )
    found = {row["name"]: row for row in run.data["corners"]}
    assert found["all low"]["visits"] == 3


def test_interleaving_nothing_but_itself_is_refused(cornerrun):
    asked = cornerrun("run", "quickstart.yaml", "--dry", "--only", "nominal", "--interleave", "nominal")
    assert asked.code == 2
    assert "name another with --only" in asked.err
