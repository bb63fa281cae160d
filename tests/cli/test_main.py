import subprocess
import sys

import click
import pytest

from cornerrun.cli import main as main_module
from cornerrun.errors import EXIT_UNSAFE, UnsafeState


def exit_code(arguments):
    with pytest.raises(SystemExit) as caught:
        main_module.main(arguments)
    return caught.value.code


def test_help_lists_every_command(capsys):
    assert exit_code(["--help"]) == 0
    out = capsys.readouterr().out
    for name in main_module._COMMANDS:
        assert f"  {name} " in out


@pytest.mark.parametrize("name", main_module._COMMANDS)
def test_every_command_has_its_own_help(name, capsys):
    assert exit_code([name, "--help"]) == 0
    assert "Usage: cornerrun" in capsys.readouterr().out


def test_an_unknown_command_is_a_usage_error(capsys):
    assert exit_code(["rnu"]) == 2
    assert "No such command" in capsys.readouterr().err


def _raising(error):
    @click.command()
    def command():
        raise error

    return command


@pytest.mark.parametrize(
    ("error", "code", "says"),
    [
        (UnsafeState("rail VDD is away"), EXIT_UNSAFE, "rail VDD is away"),
        (KeyboardInterrupt(), 130, "interrupted"),
        (ZeroDivisionError("oops"), 3, "internal error"),
    ],
)
def test_an_error_becomes_one_line_and_its_exit_code(monkeypatch, capsys, error, code, says):
    monkeypatch.setattr(main_module._LazyGroup, "get_command", lambda self, ctx, name: _raising(error))
    assert exit_code(["run"]) == code
    err = capsys.readouterr().err
    assert says in err
    assert "Traceback" not in err


def test_the_package_is_the_command_too(tmp_path):
    asked = [sys.executable, "-m", "cornerrun", "runs", "--results", "none"]
    done = subprocess.run(asked, cwd=tmp_path, capture_output=True, text=True, check=False)
    named = subprocess.run([sys.executable, "-m", "cornerrun", "--help"], capture_output=True, text=True, check=True)
    assert named.stdout.startswith("Usage: cornerrun ")
    assert done.returncode == 3
    assert "no run has been kept in none" in done.stderr
