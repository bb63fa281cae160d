"""What the README says can be typed and written is tried here."""

import re
from pathlib import Path

import pytest

from cornerrun.bench.simulated.load import load_simulation
from cornerrun.cli.main import _COMMANDS

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def chapter(title):
    found = re.search(rf"^(#+) {re.escape(title)}$(.*?)(?=^#|\Z)", README, flags=re.MULTILINE | re.DOTALL)
    assert found is not None, f"the README has no chapter {title!r}"
    return found[2]


def yaml_blocks(title):
    return re.findall(r"```yaml\n(.*?)```", chapter(title), flags=re.DOTALL)


def test_every_command_that_the_readme_names_is_there_and_the_other_way_round():
    named = set(re.findall(r"`cornerrun ([a-z-]+)", README))
    assert named == set(_COMMANDS)


@pytest.mark.parametrize("title", ["What instruments do", "How the board lives", "A lot of boards"])
def test_the_sections_of_the_simulation_file_load_as_the_readme_shows_them(title, tmp_path):
    text = (ROOT / "plans" / "quickstart_board.yaml").read_text(encoding="utf-8")
    rails_only = text[: text.index("\nmeter:")]
    (block,) = yaml_blocks(title)
    if "memory march" in block and "checks:" not in block:
        block += "\nboard: {checks: {memory march: {intermittent: {rate: 1 %}}}}\n"
    path = tmp_path / "board.yaml"
    path.write_text(f"{rails_only}\n{block}", encoding="utf-8")
    model = load_simulation(path).model
    assert model.population or model.chamber or model.board.boot


def test_relative_links_and_pictures_lead_somewhere():
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target
    anchors = {
        re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-")
        for title in re.findall(r"^#+ (.*)$", README, flags=re.MULTILINE)
    }
    for anchor in re.findall(r"\]\(#([^)]+)\)", README):
        assert anchor in anchors
