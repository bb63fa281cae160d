import json

import pytest

from cornerrun.cli.main import main


@pytest.fixture
def instruments(desk, monkeypatch, capsys):
    monkeypatch.chdir(desk)

    def call(*arguments):
        with pytest.raises(SystemExit) as ended:
            main(["instruments", *map(str, arguments)])
        captured = capsys.readouterr()
        return ended.value.code, captured.out, captured.err

    return call


def test_a_bench_that_is_well_exits_0_and_shows_each_instrument(instruments):
    code, out, _ = instruments("supplied_bench.yaml")
    assert code == 0
    assert "bench SIMULATED, desk" in out
    assert "● supply     FEED_A  (simulated)" in out
    assert out.endswith("3 asked: no problems\n")


def test_problems_exit_3_and_stand_together(instruments, desk):
    bench = desk / "supplied_bench.yaml"
    text = (
        bench.read_text().replace("due: 2027-03-01}", "due: 2026-03-02}").replace("FEED_B: {", "FEED_B: {dialect: no, ")
    )
    bench.write_text(text)
    code, out, _ = instruments(bench)
    assert code == 3
    assert out.count("    problem: ") == 3
    assert out.endswith("3 asked: 3 problems\n")


def test_writes_json_for_programs(instruments):
    code, out, _ = instruments("supplied_bench.yaml", "--json")
    told = json.loads(out)
    assert (code, told["problems"], told["kind"]) == (0, 0, "simulated")
    assert [item["name"] for item in told["items"]] == ["meter", "FEED_A", "FEED_B"]
    assert told["items"][0]["due"] == "2027-03-01"


def test_a_bench_file_with_problems_exits_2(instruments, desk):
    (desk / "bench.yaml").write_text("format: 1\nstation: desk\n")
    code, _, err = instruments("bench.yaml")
    assert code == 2
    assert "kind: is missing" in err
