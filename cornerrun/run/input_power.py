"""The input power of a board, by the commands that its bench file names."""

from pathlib import Path

from cornerrun.clock import Clock
from cornerrun.errors import BenchError
from cornerrun.plan.bench_file import InputPowerCommands
from cornerrun.run.readiness import run_command

__all__ = ["CommandedInput"]


class CommandedInput:
    """InputPower (bench/ports.py) that runs a command for each way."""

    def __init__(self, commands: InputPowerCommands, *, directory: Path, clock: Clock) -> None:
        self._commands = commands
        self._directory = directory
        self._clock = clock

    def turn_off(self) -> None:
        self._run(self._commands.off)

    def turn_on(self) -> None:
        self._run(self._commands.on)

    def _run(self, command: str) -> None:
        failed = run_command(command, self._directory, clock=self._clock, timeout_s=self._commands.timeout_s)
        if failed:
            raise BenchError(f"input_power: {failed}")
