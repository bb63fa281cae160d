"""What an errno of a bus exchange means, and what to do.

Source: Linux ``Documentation/i2c/fault-codes``; EBUSY of a held address from ``drivers/i2c/i2c-dev.c``.
"""

import errno

from cornerrun.errors import LinkError

__all__ = ["NOT_ACKNOWLEDGED", "PASSING", "explain", "name_of"]

_MEANINGS = {
    errno.ENXIO: (
        "nothing acknowledged the address",
        "check that the board is powered, the address, and the wiring; a busy device answers later",
    ),
    errno.EREMOTEIO: (
        "the device did not acknowledge",
        "it may be busy, or refuse the command or its data: STATUS_CML says which",
    ),
    errno.EIO: ("the transfer failed, the adapter does not say why", "check wiring, pull-ups and the adapter"),
    errno.EAGAIN: ("arbitration was lost to another master", "stop the other master, or give it a bus of its own"),
    errno.EBADMSG: (
        "the packet error code is wrong",
        "check signal integrity and bus clock; if the device sends no PEC, write `pec: false` for this bus",
    ),
    errno.EBUSY: (
        "the bus or the address is taken",
        (
            "unbind a kernel driver that holds the device: echo BUS-ADDRESS > /sys/bus/i2c/devices/BUS-ADDRESS/driver/"
            "unbind; if a line is stuck low, power-cycle the board"
        ),
    ),
    errno.ETIMEDOUT: (
        "the bus timed out",
        "a device holds the clock too long, or a line is stuck; lower the bus clock",
    ),
    errno.EPROTO: ("the answer breaks the protocol", "the device sent a block of a length that SMBus does not allow"),
    errno.EOPNOTSUPP: ("the adapter cannot do this kind of message", "use another adapter"),
    errno.ENODEV: ("the adapter is gone", "plug it in again; `i2cdetect -l` lists adapters"),
    errno.EACCES: ("access to the adapter is denied", "add yourself to the group that owns /dev/i2c-*"),
    errno.EPERM: ("access to the adapter is denied", "add yourself to the group that owns /dev/i2c-*"),
    errno.ECONNREFUSED: ("nobody listens at the other end of the link", "start what shall answer there"),
    errno.ECONNRESET: ("the other end of the link is gone", "see whether it still runs, then start it again"),
    errno.EPIPE: ("the other end of the link is gone", "see whether it still runs, then start it again"),
}

NOT_ACKNOWLEDGED = frozenset({errno.ENXIO, errno.EREMOTEIO, errno.EIO, errno.EOPNOTSUPP, None})
"""What a device answers to a command that it does not have; None is an emulator's error without a number."""

PASSING = frozenset(
    {
        errno.ENXIO,
        errno.EREMOTEIO,
        errno.EIO,
        errno.EAGAIN,
        errno.EBADMSG,
        errno.EBUSY,  # a line held for a moment; an address that a driver holds stays so, and then says it after all
        errno.ETIMEDOUT,
        errno.EPROTO,
        None,
    }
)
"""What may not happen again at the next try."""


def explain(error: OSError, where: str, *, is_read: bool, holder: str = "") -> LinkError:
    """Translate an exchange's OSError; ``where`` names bus, device and command. Only reads may be tried again.

    ``holder`` says who holds the address and how it is released, where that is known.
    """
    number = error.errno
    if number is None and isinstance(error, TimeoutError):
        number = errno.ETIMEDOUT
    meaning, advice = _MEANINGS.get(
        number or 0, (error.strerror or str(error) or "no reason given", "look at the link")
    )
    code = name_of(number)
    advice = holder or advice
    return LinkError(f"{where}: {meaning} ({code}); {advice}", errno=number, may_retry=is_read and number in PASSING)


def name_of(number: int | None) -> str:
    """Name an errno as the kernel's documentation does."""
    if number is None:
        return "no errno"
    # Linux gives one number to two names, and Python knows it by the other.
    return "EOPNOTSUPP" if number == errno.EOPNOTSUPP else errno.errorcode.get(number, str(number))
