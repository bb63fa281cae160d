import pytest

from cornerrun.bench import registry
from cornerrun.errors import PlanError


def test_a_link_is_split_into_driver_and_target():
    build, target = registry.link_driver("tcp:127.0.0.1:5030")
    assert target == "127.0.0.1:5030"
    assert build.__name__ == "open_tcp_link"


def test_a_misspelt_driver_gets_the_nearest_name():
    with pytest.raises(PlanError, match="no meter driver is called 'scpi-metre'; did you mean 'scpi-meter'"):
        registry.meter_driver("scpi-metre")


def test_an_unknown_driver_gets_the_list():
    with pytest.raises(PlanError, match="known are i2c, simulated, tcp"):
        registry.link_driver("carrier pigeon")


class _Entry:
    name = "meter:bench-seven"
    value = "bench_seven:build"

    def __init__(self, build):
        self._build = build

    def load(self):
        if isinstance(self._build, Exception):
            raise self._build
        return self._build


def test_a_plugged_driver_is_found(monkeypatch):
    marker = object()
    monkeypatch.setattr(
        registry, "entry_points", lambda group: [_Entry(marker)] if group == "cornerrun.drivers" else []
    )
    assert registry.meter_driver("bench-seven") is marker


def test_a_plugged_driver_that_does_not_import_is_a_plan_error(monkeypatch):
    monkeypatch.setattr(registry, "entry_points", lambda group: [_Entry(ImportError("no such part"))])
    with pytest.raises(PlanError, match="'bench-seven' from 'bench_seven:build' cannot be loaded: no such part"):
        registry.meter_driver("bench-seven")
