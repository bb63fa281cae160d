import pytest

from cornerrun.bench.pmbus.adapters import open_adapter
from cornerrun.errors import LinkError


@pytest.fixture
def sys_class(tmp_path):
    for node, name in (("i2c-0", "on-board"), ("i2c-7", "usb stick"), ("i2c-9", "twin"), ("i2c-11", "twin")):
        (tmp_path / node).mkdir()
        (tmp_path / node / "name").write_text(name + "\n")
    return tmp_path


def test_an_unknown_adapter_is_refused_with_the_list(sys_class):
    with pytest.raises(LinkError, match="no I2C adapter is called 'usb'; this machine has 'on-board', 'twin'"):
        open_adapter("usb", pec=True, sys_class=sys_class)


def test_a_machine_without_adapters_is_told_what_is_missing(tmp_path):
    with pytest.raises(LinkError, match="is the module i2c-dev loaded"):
        open_adapter("usb", pec=True, sys_class=tmp_path)


def test_a_name_that_two_adapters_share_is_refused(sys_class):
    with pytest.raises(LinkError, match="i2c-11, i2c-9 are all called 'twin'"):
        open_adapter("twin", pec=True, sys_class=sys_class)


def test_an_adapter_that_cannot_be_opened_is_said(sys_class):
    (sys_class / "i2c-987654").mkdir()
    (sys_class / "i2c-987654" / "name").write_text("ghost\n")
    with pytest.raises(LinkError, match="/dev/i2c-987654 \\('ghost'\\) cannot be opened"):
        open_adapter("ghost", pec=True, sys_class=sys_class)
