import csv
import io
import json
import re


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_the_map_shows_every_rail_at_every_visit_in_order(cornerrun):
    end = cornerrun("corners", "quickstart.yaml")
    assert end.code == 0, end.err
    signs = dict(re.findall(r"^(VDD\w*) +([.+\-a-z ]+)$", end.out, flags=re.MULTILINE))
    assert set(signs) == {"VDD_CORE", "VDD_SRAM", "VDDQ", "VDD_IO"}
    levels = {".": "nominal", "+": "high", "-": "low", "a": "low7"}
    visits = rows_of(cornerrun("corners", "quickstart.yaml", "--csv", "-").out)
    for rail, line in signs.items():
        assert [levels[sign] for sign in line.replace(" ", "")] == [visit[rail] for visit in visits]


def test_the_map_fits_a_terminal_of_a_hundred_columns(cornerrun):
    end = cornerrun("corners", "forty_rails.yaml")
    assert end.code == 0, end.err
    assert max(len(line) for line in end.out.splitlines()) <= 100
    assert "From visit 96: ambient hot" in end.out


def test_coverage_is_told_for_levels_pairs_and_triples_with_what_constraints_cost(cornerrun):
    out = cornerrun("corners", "quickstart.yaml").out
    # Counted by hand: 4 rails, 9 levels off nominal (VDD_IO has low7 too), each visited alone.
    assert "levels: 9 of 9 (100.0%)" in out
    assert re.search(r"pairs of levels: \d+ of 29 .*; 1 more ruled out by the plan", out)


def test_a_forbidden_corner_is_listed_with_its_reason(cornerrun, desk):
    text = (desk / "quickstart.yaml").read_text(encoding="utf-8")
    text = text.replace("  forbidden:\n", "  forbidden:\n    - {VDD_CORE: low, VDDQ: high}\n")
    (desk / "fewer.yaml").write_text(text, encoding="utf-8")
    data = cornerrun("corners", "fewer.yaml", "--json").data
    assert [item["name"] for item in data["not_runnable"]] == ["VDD_CORE low, VDDQ high"]
    assert "forbidden" in data["not_runnable"][0]["reason"]
    assert "VDD_CORE low, VDDQ high" not in [corner["name"] for corner in data["corners"]]


def test_json_and_csv_hold_the_visits_of_the_run(cornerrun, desk):
    data = json.loads(cornerrun("corners", "quickstart.yaml", "--json", "--csv", "map.csv").out)
    visits = rows_of((desk / "map.csv").read_text(encoding="utf-8"))
    assert [visit["corner"] for visit in data["visits"]] == [visit["corner"] for visit in visits]
    assert [visit["is_control"] for visit in data["visits"]] == [row["control point"] == "yes" for row in visits]
    assert data["coverage"][0] == {"strength": 1, "covered": 9, "feasible": 9, "total": 9}


def test_settling_is_told_for_this_order_and_for_the_one_written(cornerrun):
    found = re.search(
        r"Settling.*: ([\d.]+) s in this order .*, ([\d.]+) s as written", cornerrun("corners", "quickstart.yaml").out
    )
    assert found is not None
    visits = cornerrun("corners", "quickstart.yaml", "--json").data["visits"]
    assert visits[0]["settle_s"] == 0
    assert abs(sum(visit["settle_s"] for visit in visits) - float(found[1])) < 0.006
    assert float(found[1]) < float(found[2])


def test_a_file_that_cannot_be_written_is_said(cornerrun):
    end = cornerrun("corners", "quickstart.yaml", "--csv", "nowhere/map.csv")
    assert end.code == 2
    assert "nowhere/map.csv" in end.err
