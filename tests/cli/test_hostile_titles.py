"""A plan's title may hold whatever YAML can spell; no command lets it steer a terminal."""

import pytest

RED, OVERRIDE = "\x1b[31m", "\u202e"


@pytest.fixture
def hostile(desk):
    text = (desk / "quickstart.yaml").read_text(encoding="utf-8")
    title = "title: Tide-gauge node, quick margin screen"
    assert title in text
    text = text.replace(title, r'title: "\e[31mred \u202e title"').replace("revision: C", r'revision: "C\e[5m"')
    (desk / "hostile.yaml").write_text(text, encoding="utf-8")


@pytest.mark.usefixtures("hostile")
def test_no_command_prints_what_steers_a_terminal(cornerrun):
    calls = (
        ("preflight", "hostile.yaml"),
        ("corners", "hostile.yaml"),
        ("run", "hostile.yaml", "--serial", "9", "--dry"),
        ("run", "hostile.yaml", "--serial", "9", "--only", "nominal"),
        ("runs",),
        ("report",),
        ("boards",),
    )
    for call in calls:
        end = cornerrun(*call)
        assert "title" in end.out + end.err or call == ("boards",), call
        seen = {character for character in end.out + end.err if not character.isprintable()}
        assert seen <= {"\n"}, call
