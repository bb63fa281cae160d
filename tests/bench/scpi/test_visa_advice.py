import tomllib
from pathlib import Path

import pytest

from cornerrun.bench.scpi.visa_advice import advice


@pytest.mark.parametrize(
    ("resource", "why", "said"),
    [
        ("USB0::0x1234::0x5678::SN1::INSTR", "Please install PyUSB to use this resource type.", "'cornerrun[visa]'"),
        ("ASRL/dev/ttyUSB0::INSTR", "Please install PySerial (>=3.0) to use this resource type.", "'cornerrun[visa]'"),
        ("GPIB0::22::INSTR", "Please install linux-gpib (Linux) or gpib-ctypes", "linux-gpib.*'cornerrun[gpib]'"),
        ("VICP::192.0.2.1::INSTR", "Please install PyVICP to use this resource type", "install it beside cornerrun"),
        ("USB0::1::2::3::INSTR", "No backend available", "libusb-1.0"),
        ("USB0::1::2::3::INSTR", "No device found.", "udev rule"),
        ("ASRL/dev/ttyUSB9::INSTR", "[Errno 2] could not open port", "dialout.*/dev/serial/by-id"),
        ("TCPIP::192.0.2.1::5025::SOCKET", "[Errno 111] Connection refused", "port are right, and.*on and reachable"),
        ("tcpip::192.0.2.1::INSTR", "VI_ERROR_RSRC_NFOUND", "hislip0"),
        ("nonsense", "VI_ERROR_INV_RSRC_NAME: Parsing error", "see that it is written like"),
        ("TCPIP::::::", "Invalid resource reference specified. Parsing error.", "see that it is written like"),
    ],
)
def test_tells_by_the_kind_of_link_what_to_do(resource: str, why: str, said: str) -> None:
    told = advice(resource, why)
    for part in said.split(".*"):
        assert part in told


def test_the_extras_that_it_names_are_there() -> None:
    project = tomllib.loads((Path(__file__).parents[3] / "pyproject.toml").read_text())["project"]
    assert {"visa", "gpib"} <= set(project["optional-dependencies"])
