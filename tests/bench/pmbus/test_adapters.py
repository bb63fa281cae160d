import errno
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.pmbus.adapters import adapter_names, open_adapter
from cornerrun.errors import LinkError


class Bus:
    def __init__(self, number: int) -> None:
        self.number = number
        self.pec = 0


def sysfs(root: Path, **names: str) -> Path:
    for folder, name in names.items():
        (root / folder.replace("_", "-")).mkdir()
        (root / folder.replace("_", "-") / "name").write_text(f"{name}\n")
    return root


def opened(target: str, root: Path, *, pec: bool = True) -> Any:
    return open_adapter(target, pec=pec, root=root, open_bus=Bus)  # type: ignore[arg-type]  # a bus of few words


def test_an_adapter_is_found_by_name_whatever_its_number(tmp_path: Path) -> None:
    root = sysfs(tmp_path, i2c_0="SMBus host", i2c_12="bench adapter")
    assert adapter_names(root) == {0: "SMBus host", 12: "bench adapter"}
    bus = opened("bench adapter", root)
    assert (bus.number, bus.pec) == (12, 1)
    assert opened("SMBus host", root, pec=False).pec == 0


def test_an_unknown_adapter_is_refused_with_those_at_hand(tmp_path: Path) -> None:
    root = sysfs(tmp_path, i2c_1="bench adapter")
    with pytest.raises(LinkError, match="no I2C adapter has this name; this machine has 'bench adapter'"):
        opened("bench adaptor", root)
    with pytest.raises(LinkError, match="load the module i2c-dev"):
        opened("bench adapter", tmp_path / "nothing")


def test_two_adapters_of_one_name_need_a_path(tmp_path: Path) -> None:
    root = sysfs(tmp_path, i2c_1="mux channel", i2c_2="mux channel")
    with pytest.raises(LinkError, match=r"2 adapters have this name; write the path of one: .*i2c-1, .*i2c-2"):
        opened("mux channel", root)
    assert opened(str(root / "i2c-2"), root).number == 2
    with pytest.raises(LinkError, match="no adapter lies there"):
        opened(str(root / "i2c-3"), root)


def test_an_adapter_that_can_not_be_opened_says_why(tmp_path: Path) -> None:
    def refuse(number: int) -> Any:
        raise PermissionError(errno.EACCES, "Permission denied")

    with pytest.raises(LinkError, match=r"/dev/i2c-1 can't be opened \(Permission denied\)"):
        open_adapter("bench adapter", pec=True, root=sysfs(tmp_path, i2c_1="bench adapter"), open_bus=refuse)


def test_smbus2_fits_the_link_as_it_is(tmp_path: Path) -> None:
    # Typing says so too; here its real constructor meets a number that no machine has.
    with pytest.raises(LinkError, match="i2c-987654"):
        open_adapter("far away", pec=True, root=sysfs(tmp_path, i2c_987654="far away"))


def test_a_channel_of_a_multiplexer_is_found_by_its_path(tmp_path: Path) -> None:
    root = sysfs(tmp_path, i2c_7="i2c-1-mux (chan_id 3)", i2c_8="i2c-1-mux (chan_id 4)")
    mux = tmp_path / "1-0070"
    mux.mkdir()
    (mux / "channel-3").symlink_to(root / "i2c-7")
    (mux / "channel-4").symlink_to(root / "i2c-8")
    assert opened(str(mux / "channel-3"), root).number == 7
    assert opened(str(mux / "channel-4"), root).number == 8
    with pytest.raises(
        LinkError, match=r"this is a multiplexer; write the path of a channel: .*channel-3, .*channel-4"
    ):
        opened(str(mux), root)


def test_a_controller_is_found_by_its_path_if_it_has_one_adapter(tmp_path: Path) -> None:
    for name in ("one.0/i2c-4", "two.0/i2c-5", "two.0/i2c-6", "none.0"):
        (tmp_path / name).mkdir(parents=True)
    assert opened(str(tmp_path / "one.0"), tmp_path).number == 4
    with pytest.raises(LinkError, match="2 adapters lie there"):
        opened(str(tmp_path / "two.0"), tmp_path)
    with pytest.raises(LinkError, match="no adapter lies there"):
        opened(str(tmp_path / "none.0"), tmp_path)


def test_a_kernel_driver_that_holds_an_address_is_named_with_how_to_release_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from cornerrun.bench.pmbus import adapters

    (tmp_path / "drivers" / "monitor").mkdir(parents=True)
    (tmp_path / "3-0040").mkdir()
    (tmp_path / "3-0040" / "driver").symlink_to(tmp_path / "drivers" / "monitor")

    class Held:
        fd = 9
        pec = 0

    monkeypatch.setattr(adapters, "_number_of_file", lambda fd: 3)
    said = adapters.holder_of(Held(), 0x40, clients=tmp_path)
    assert "the kernel driver 'monitor' holds the address" in said
    assert "echo 3-0040 > /sys/bus/i2c/drivers/monitor/unbind" in said
    assert adapters.holder_of(Held(), 0x41, clients=tmp_path) == ""
    assert adapters.holder_of(object(), 0x40, clients=tmp_path) == ""
