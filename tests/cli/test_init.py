"""Starter plans: each is written whole, and can be run as it is."""

import pytest


@pytest.mark.parametrize("starter", ["quickstart", "four_corners", "forty_rails", "supplied"])
def test_each_starter_can_be_run_as_it_was_written(cornerrun, desk, starter):
    done = cornerrun("init", "own", "--starter", starter)
    assert done.code == 0, done.err
    assert f"cornerrun run {starter}.yaml" in done.out
    assert {path.name.partition(".")[0].removesuffix("_bench") for path in (desk / "own").iterdir()} >= {starter}
    looked = cornerrun("preflight", f"own/{starter}.yaml")
    assert looked.code == 0, looked.out
    assert "a run can start" in looked.out


def test_nothing_that_is_there_is_overwritten(cornerrun, desk):
    (desk / "own").mkdir()
    (desk / "own" / "four_corners.yaml").write_text("mine")
    refused = cornerrun("init", "own", "--starter", "four_corners")
    assert refused.code == 2
    assert "is there already, and nothing was written" in refused.err
    assert [path.read_text() for path in (desk / "own").iterdir()] == ["mine"]
