"""The command line: one module a command, imported when it is called, so that help is instant."""

import os
import sys
from importlib import import_module

import click

from cornerrun.cli.interrupting import no_interrupt_is_lost
from cornerrun.errors import EXIT_BENCH, EXIT_INTERRUPTED, CornerrunError

__all__ = ["main"]

# Name, what it does, in the order of a working day: before, at the bench, after.
_COMMANDS = {
    "init": "Write a starter plan with checks and a simulated bench.",
    "discover": "Look at a bench that no plan knows yet, and draft the plan.",
    "preflight": "Find the trouble of a plan on paper, before anything is powered.",
    "corners": "Show a plan's corners as a map, in the order of the run, and what they meet.",
    "schema": "Print the JSON Schemas of the files a person writes.",
    "instruments": "Ask every link and instrument of a bench, and tell all that is wrong together.",
    "simulate": "Put the simulated bench behind TCP, in a process of its own.",
    "measure": "Read every rail once; move nothing.",
    "goto": "Hold one corner for a while, watched, then go back to nominal.",
    "to-nominal": "Bring the board back to nominal, after a killed run too.",
    "run": "Run a plan on one board.",
    "resume": "Go on with a run that was killed, stopped or broken off.",
    "characterise": "Characterise the trim of several boards, one after the other, the next one warming.",
    "acknowledge": "Say that you have seen why a bench was left off; runs may start there again.",
    "runs": "List the runs in the store.",
    "report": "Report on a run: text, page, workbook, figures, JSON, JUnit XML, CSV, Parquet.",
    "compare": "Put two runs beside each other: what got worse.",
    "boards": "Put many runs together: yield, control charts, outliers.",
    "stress": "Show how long each rail of a board has stood above nominal, over all its runs.",
    "audit": "Find out whether anything kept of a run was changed since.",
    "trim-accuracy": "Print the trim accuracy of runs; boards pool into a tolerance interval.",
}


class _LazyGroup(click.Group):
    """A group that imports a command's module when that command is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        del ctx
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        del ctx
        if cmd_name not in _COMMANDS:
            return None
        module = import_module(f"cornerrun.cli.{cmd_name.replace('-', '_')}")
        command = module.command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))


@click.command(
    cls=_LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Exit: 0 pass; 1 fail; 2 plan or usage; 3 inconclusive, incomplete, invalid or bench trouble; "
    "4 board not in its safe state, or unknown; 130 interrupted, board safe.",
)
@click.version_option(package_name="cornerrun", prog_name="cornerrun")
def _cli() -> None:
    """Run voltage-margin tests on boards with many supply rails, unattended, and leave evidence.

    Not a safety device: fit hardware backstops before you leave a bench alone.
    """


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit; the only place that turns an exception into an exit code."""
    try:
        with no_interrupt_is_lost():
            status = _cli.main(args=arguments, prog_name="cornerrun", standalone_mode=False)
    except CornerrunError as error:
        _say(str(error))
        sys.exit(error.exit_code)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (KeyboardInterrupt, click.Abort):
        _say("interrupted")
        sys.exit(EXIT_INTERRUPTED)
    except BrokenPipeError:
        # The reader of our output went away (`| head`): nothing to say, and nowhere to say it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(EXIT_BENCH)
    except Exception as error:
        if os.environ.get("CORNERRUN_TRACEBACK"):
            raise
        _say(f"internal error, please report it: {type(error).__name__}: {error}; CORNERRUN_TRACEBACK=1 shows where")
        sys.exit(EXIT_BENCH)
    sys.exit(status if isinstance(status, int) else 0)


def _say(text: str) -> None:
    click.echo(f"cornerrun: {text}", err=True)
