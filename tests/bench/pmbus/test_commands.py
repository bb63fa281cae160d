from cornerrun.bench.pmbus.commands import COMMANDS, NON_VOLATILE, Kind, command_of_code


def test_no_command_that_writes_non_volatile_memory_can_be_sent_by_name() -> None:
    assert not any(name.startswith(("STORE", "RESTORE")) for name in COMMANDS)
    assert not {command.code for command in COMMANDS.values()} & set(NON_VOLATILE)
    assert all(command_of_code(code) is None for code in NON_VOLATILE)


def test_codes_and_names_are_unique_and_lead_to_each_other() -> None:
    assert len({command.code for command in COMMANDS.values()}) == len(COMMANDS)
    assert all(command_of_code(command.code) is command for command in COMMANDS.values())


def test_codes_are_those_of_the_kernels_header() -> None:
    # Linux drivers/hwmon/pmbus/pmbus.h
    codes = {
        "PAGE": 0x00, "OPERATION": 0x01, "ON_OFF_CONFIG": 0x02, "CLEAR_FAULTS": 0x03, "WRITE_PROTECT": 0x10,
        "CAPABILITY": 0x19, "QUERY": 0x1A, "VOUT_MODE": 0x20, "VOUT_COMMAND": 0x21, "VOUT_TRIM": 0x22,
        "VOUT_CAL_OFFSET": 0x23, "VOUT_MAX": 0x24, "VOUT_MARGIN_HIGH": 0x25, "VOUT_MARGIN_LOW": 0x26,
        "VOUT_TRANSITION_RATE": 0x27, "VOUT_OV_FAULT_LIMIT": 0x40, "VOUT_OV_WARN_LIMIT": 0x42,
        "VOUT_UV_WARN_LIMIT": 0x43, "VOUT_UV_FAULT_LIMIT": 0x44, "STATUS_BYTE": 0x78, "STATUS_WORD": 0x79,
        "STATUS_VOUT": 0x7A, "STATUS_CML": 0x7E, "READ_VIN": 0x88, "READ_VOUT": 0x8B, "READ_IOUT": 0x8C,
        "READ_TEMPERATURE_1": 0x8D, "MFR_ID": 0x99, "MFR_MODEL": 0x9A, "MFR_REVISION": 0x9B, "MFR_SERIAL": 0x9E,
    }  # fmt: skip
    assert {name: COMMANDS[name].code for name in codes} == codes


def test_status_input_and_device_wide_registers_do_not_depend_on_page() -> None:
    for name in ("STATUS_INPUT", "WRITE_PROTECT", "PAGE", "READ_VIN", "MFR_MODEL", "PMBUS_REVISION", "CAPABILITY"):
        assert not COMMANDS[name].is_paged
    assert COMMANDS["CLEAR_FAULTS"].kind is Kind.SEND_BYTE
