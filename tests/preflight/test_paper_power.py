"""The rails on paper are sent what the driver sends: every write of a run, in its order."""

from pathlib import Path

import pytest

from cornerrun.bench.bench import open_bench
from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.cli.dry import rehearsed
from cornerrun.clock import ManualClock
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.results.store import Store
from cornerrun.run.guarded import UNGUARDED
from cornerrun.run.runner import run_plan

PLANS = Path(__file__).parents[2] / "plans"
NAMES = {command.code: name for name, command in COMMANDS.items()}


@pytest.mark.parametrize(
    ("name", "only"),
    [
        ("quickstart", ["all high"]),
        ("quickstart", ["VDD_SRAM high", "VDDQ low"]),
        ("quickstart", ["io to the limit"]),
        ("four_corners", ["all low @ ambient room*", "all low @ ambient cold*", "all low @ ambient hot*"]),
    ],
)
def test_every_write_of_a_run_stands_in_the_list_of_a_dry_one(
    name: str, only: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan, bench_file = load_plan(PLANS / f"{name}.yaml"), load_bench(PLANS / f"{name}_bench.yaml")
    selection = select(plan)
    planned = steps(plan, selection, only=only)
    sent: list[str] = []
    for method in ("write_byte_data", "write_word_data", "write_byte"):
        monkeypatch.setattr(CountedLink, method, _watched(getattr(CountedLink, method), sent))
    clock = ManualClock()
    with Store.open(tmp_path / "runs.sqlite") as store:
        run_plan(
            plan,
            bench_file,
            open_bench(plan, bench_file, clock, seed=3),
            store,
            clock,
            None,
            guardian=UNGUARDED,
            steps=planned,
            selection=selection,
            serial="1",
            seed=3,
        )
    told = [
        letter.what
        for section in rehearsed(plan, bench_file, planned)
        for letter in section.letters
        if letter.kind == "write" and letter.what != "PAGE"
    ]
    assert told == [name for name in sent if name != "PAGE"]


def _watched(method, sent):
    def call(self, address, code, *data):
        sent.append(NAMES[code])
        return method(self, address, code, *data)

    return call
