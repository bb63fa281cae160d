"""SMBus messages as bytes: framing and PEC between a bus and a simulated manager.

PEC is CRC-8 over every byte of the message, addresses included (SMBus 3.x; polynomial from memory).
"""

from cornerrun.bench.pmbus.formats import pec
from cornerrun.bench.simulated.manager import CML_COMMAND, CML_DATA, CML_LENGTH, CML_PEC, SimulatedManager
from cornerrun.bench.simulated.registers import Shape

__all__ = ["exchange", "wire_bits"]

_SPOILED = 0x5A  # chosen: any byte but 0 spoils a code
_IDLE = 0xFF  # a released data line reads as ones


def wire_bits(written: int, read: int) -> int:
    """Count the bits of a message: START, repeated START and STOP one each, nine a byte, addresses included.

    ``written`` and ``read`` count the bytes after the address bytes; a message that reads nothing has ``read`` 0.
    """
    write_bits = 9 + 9 * written if written or not read else 0
    read_bits = 9 + 9 * read if read else 0
    return 2 + write_bits + read_bits + (1 if write_bits and read_bits else 0)


def exchange(device: SimulatedManager, written: bytes, read_count: int, is_block: bool, now_s: float) -> bytes:
    """Carry out one message: ``written`` follows the address, PEC included if the master sends one.

    The master clocks in ``read_count`` bytes; with ``is_block`` it first reads a count, then that many bytes, then
    ``read_count`` more. A device never knows beforehand whether PEC comes: the length of the message tells.

    Raises:
        NotAcknowledged: the device did not acknowledge; STATUS_CML says why if it did so on purpose.

    """
    device.listen(now_s)
    if not read_count and not is_block:
        _take(device, written, now_s)
        return b""
    answer = _answer(device, written, now_s)
    address = device.address << 1
    first = bytes((address, *written)) if written else b""
    if not answer:
        answer = bytes((_IDLE,))  # nobody drives the data line, and no code follows
    elif device.takes_pec:
        code = pec((*first, address | 1, *answer))
        answer += bytes((code ^ _SPOILED if device.spoils_pec else code,))
    wanted = (1 + answer[0] if is_block else 0) + read_count
    return answer[:wanted] + bytes((_IDLE,)) * (wanted - len(answer))


def _answer(device: SimulatedManager, written: bytes, now_s: float) -> bytes:
    if not written:
        return bytes((_IDLE,))  # Receive Byte: nothing stands behind it in this device
    code, data = written[0], written[1:]
    if not data:
        return device.read(code, now_s)
    if device.shape(code) is not Shape.PROCESS or data[0] != len(data) - 1:
        device.refuse(CML_DATA)
    return device.process(code, data[1:], now_s)


def _take(device: SimulatedManager, written: bytes, now_s: float) -> None:
    if not written:
        return  # a quick command: the address was acknowledged
    code, data = written[0], written[1:]
    shape = device.shape(code)
    if shape is None:
        device.refuse(CML_COMMAND)
    expected = _data_length(shape, data)
    if len(data) == expected + 1 and device.takes_pec:
        if device.spoils_pec or pec((device.address << 1, *written[:-1])) != written[-1]:
            device.refuse(CML_PEC)
        data = data[:-1]
    elif len(data) == expected and device.wants_pec:
        device.refuse(CML_PEC)
    elif len(data) > expected:
        device.refuse(CML_LENGTH)
    elif len(data) < expected:
        # The STOP came early: every byte was acknowledged already, so only STATUS_CML can tell.
        device.note(CML_LENGTH)
        return
    device.write(code, data, now_s)


def _data_length(shape: Shape, data: bytes) -> int:
    if shape in (Shape.BLOCK, Shape.PROCESS):
        return 1 + data[0] if data else 1
    return {Shape.SEND: 0, Shape.BYTE: 1, Shape.WORD: 2}[shape]
