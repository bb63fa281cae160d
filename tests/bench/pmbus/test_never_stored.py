"""Non-volatile memory is never written: by the code as it stands, and at the link whatever a layer above asks for."""

import ast
from pathlib import Path
from typing import Any

import pytest

import cornerrun
from cornerrun.bench.pmbus.commands import NON_VOLATILE
from cornerrun.errors import GuardRefusal

PACKAGE = Path(cornerrun.__file__).parent
# The simulated devices must answer to these commands; the table of codes must name what is never sent.
EXEMPT = {PACKAGE / "bench" / "pmbus" / "commands.py"}


def sources() -> list[Path]:
    simulated = PACKAGE / "bench" / "simulated"
    return [path for path in PACKAGE.rglob("*.py") if simulated not in path.parents and path not in EXEMPT]


def test_no_module_that_drives_hardware_names_a_command_that_stores() -> None:
    assert len(sources()) > 100
    for path in sources():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                is_prose = " " in node.value
                assert is_prose or node.value not in NON_VOLATILE.values(), f"{path}:{node.lineno}"
            if isinstance(node, ast.Attribute | ast.Name):
                name = node.attr if isinstance(node, ast.Attribute) else node.id
                assert name not in NON_VOLATILE.values(), f"{path}:{node.lineno}"


def test_no_module_but_the_link_wrapper_and_the_links_themselves_writes_to_a_bus() -> None:
    allowed = {"health.py", "paging.py", "page_plus.py", "discover.py", "raw.py", "combined_messages.py"}
    for path in sources():
        if PACKAGE / "bench" not in path.parents:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                is_write = node.func.attr in {
                    "write_byte", "write_byte_data", "write_word_data", "write_block_data", "i2c_rdwr", "group_write",
                }  # fmt: skip
                assert not is_write or path.name in {*allowed, "group.py"}, f"{path}:{node.lineno}"


@pytest.mark.parametrize("code", sorted(NON_VOLATILE))
def test_the_link_refuses_every_way_of_sending_it(setup: Any, code: int) -> None:
    for send in (
        lambda: setup.link.write_byte(0x40, code),
        lambda: setup.link.write_byte_data(0x40, code, 0),
        lambda: setup.link.write_word_data(0x40, code, 0),
        lambda: setup.link.write_block_data(0x40, code, [0]),
        lambda: setup.link.block_process_call(0x40, code, [0]),
        lambda: setup.link.write_block_data(0x40, 0x05, [0, code]),
    ):
        with pytest.raises(GuardRefusal, match=NON_VOLATILE[code]):
            send()
    assert setup.emulator.log == []
