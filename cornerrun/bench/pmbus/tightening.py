"""VOUT_MAX and the over-voltage fault limit, tightened to the hard limit while a run moves rails.

A write that nobody judged then meets hardware. Nothing is ever loosened, and a limit that the plan's own levels might
run into stays as it is. The words that were there before are part of the baseline.
"""

from collections.abc import Iterable, Mapping

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.output import Output
from cornerrun.bench.ports import Effect, Write
from cornerrun.errors import BenchError, DeviceRefused, FormatError, GuardRefusal, LinkError, ReadbackMismatch
from cornerrun.plan.tight import least_ov_limit_v
from cornerrun.units import Kind, show

__all__ = ["LIMITS", "Tightening", "tight_word"]

LIMITS = ("VOUT_MAX", "VOUT_OV_FAULT_LIMIT")


class Tightening:
    """Tightens the limits of outputs; ``kept`` says why those of a rail are left, by rail.

    What every limit held is read before the first is written, so that a write that went astray can be taken back:
    on another rail, the limit of this one would hold the output down or shut it off.
    """

    def __init__(self, outputs: Iterable[Output], guard: Guard, kept: Mapping[str, str]) -> None:
        self._outputs = tuple(output for output in outputs if output.rail.tracks is None)
        self._guard = guard
        self._kept = kept
        self._known: dict[Output, dict[str, int]] = {}
        self._found: dict[Output, dict[str, int]] = {}
        self.is_in_doubt = False

    def forget(self) -> None:
        """Forget what limits hold: they are about to be read anew, or were put back."""
        self._known.clear()
        self._found.clear()
        self.is_in_doubt = False

    def tighten(self) -> None:
        """Tighten what is not tight yet. What is left is told as a note; a device that refuses costs nothing but that.

        Raises:
            BenchError: a limit could not be written, and it is not known what it holds now.

        """
        chosen = []
        for output in self._outputs:
            why = self._kept.get(output.rail.name) or output.device.profile.keeps_limits
            if why:
                _tell(output, f"VOUT_MAX and the OV fault limit are left as they are: {why}")
                continue
            chosen.append(output)
            if output not in self._known:
                self._known[output] = output.device.read_critical(output.page, LIMITS)
                self._found[output] = dict(self._known[output])
        for output in chosen:
            for name, word in self._known[output].items():
                try:
                    wanted = tight_word(output, name)
                except FormatError as error:
                    _tell(output, f"{name} is not tightened: {error}")
                    continue
                if _volts(output, name, word) > _volts(output, name, wanted):
                    self._write(output, name, wanted)

    def loosen(self) -> None:
        """Put back what limits held, where everything is off and no baseline will be restored. Never raises."""
        for output, found in self._found.items():
            for name, word in found.items():
                if self._known[output][name] == word:
                    continue
                try:
                    output.device.write(output.page, COMMANDS[name], word.to_bytes(2, "little"))
                except BenchError as error:
                    output.device.remarks.add("warning", f"{name} stays tightened: {error}", output.rail.name)
                else:
                    self._known[output][name] = word

    def mend(self) -> int:
        """Put every limit back to what it is known to hold; return how many did not. BenchError if one can't be."""
        mended = 0
        for output, known in self._known.items():
            found = output.device.read_critical(output.page, tuple(known))
            for name, word in found.items():
                if word != known[name]:
                    mended += 1
                    output.device.remarks.second_master(f"{name} held 0x{word:04X} astray", output.rail.name)
                    output.device.write(output.page, COMMANDS[name], known[name].to_bytes(2, "little"))
        self.is_in_doubt = False
        return mended

    def _write(self, output: Output, name: str, word: int) -> None:
        command = COMMANDS[name]
        write = Write(
            address=output.device.address,
            pages=(output.page,),
            command=command.code,
            data=word.to_bytes(2, "little"),
            # VOUT_MAX is where the output is held; above every setpoint it holds nothing.
            effects=(Effect(rail=output.rail.name, target_v=output.volts_home()),) if name == "VOUT_MAX" else (),
        )
        try:
            output.device.check_writable((name,))
            self._guard.permit(write)
            self.is_in_doubt = True
            output.device.write(output.page, command, write.data)
        except (DeviceRefused, GuardRefusal) as error:
            self.is_in_doubt = False
            _tell(output, f"{name} is not tightened: {error}")
            return
        except (LinkError, ReadbackMismatch) as error:
            if self.mend():
                raise
            _tell(output, f"{name} is not tightened, for the device keeps its word: {error}")
            return
        self.is_in_doubt = False
        self._known[output][name] = word


def tight_word(output: Output, name: str) -> int:
    """Encode the rail's upper hard limit for a register, rounded down.

    Raises FormatError where the limit must stay: the rail's own levels might run into it, or no word says it.
    """
    rail = output.rail
    if output.by_command and output.format.is_ratio(name):
        raise FormatError("it is a ratio to VOUT_COMMAND, by which this device is margined, and goes up with it")
    limit_v = rail.hard_limits.max_v
    word = _encode(output, name, limit_v)
    if _volts(output, name, word) > limit_v:
        word = _encode(output, name, limit_v - _step_v(output, name, limit_v))
    tight_v = _volts(output, name, word)
    if not 0.0 < tight_v <= limit_v:
        raise FormatError(f"no word of it is just below {show(limit_v, Kind.VOLTAGE)}")
    highest_v = max([output.volts_home(), *(output.setpoint(level).decoded_v for level in rail.levels)])
    needed_v = least_ov_limit_v(rail, highest_v) if name == "VOUT_OV_FAULT_LIMIT" else highest_v
    if tight_v < needed_v:
        raise FormatError(
            f"at the hard limit of {show(limit_v, Kind.VOLTAGE)} it may act on the plan's own levels, which need "
            f"{show(needed_v, Kind.VOLTAGE)}"
        )
    return word


def _tell(output: Output, what: str) -> None:
    output.device.remarks.add("note", what, output.rail.name)


def _volts(output: Output, name: str, word: int) -> float:
    number = output.format.decode(name, word)
    return number * output.command_v if output.format.is_ratio(name) else number


def _encode(output: Output, name: str, volts: float) -> int:
    return output.format.encode(name, volts / output.command_v if output.format.is_ratio(name) else volts)


def _step_v(output: Output, name: str, volts: float) -> float:
    if output.format.is_ratio(name):
        return output.format.step(name, volts / output.command_v) * output.command_v
    return output.format.step(name, volts)
