"""Checks: whether they run anywhere, and whether what they call is there."""

import ast
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from cornerrun.corners.names import fits, is_at, names_of
from cornerrun.plan.model import Check
from cornerrun.plan.nearest import suggestion
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding

__all__ = ["callables", "places"]


def places(facts: Facts) -> Iterator[Finding]:
    """Whether each corner that a check names is visited, and each check runs somewhere."""
    if facts.trouble:
        return
    names = [name for corner in facts.corners for name in names_of(corner)]
    for check in facts.plan.checks:
        for index, text in enumerate(check.at.corners or ()):
            if not any(fits(text, corner) for corner in facts.corners):
                numbers = f"{check.name!r}: no corner that is visited is called, or fits, {text!r}"
                position = facts.position("checks", check.name, "at", "corners", index)
                yield _finding(numbers, suggestion(text, names), position)
        is_named = check.at.corners is None or all(any(fits(t, c) for c in facts.corners) for t in check.at.corners)
        if is_named and not any(is_at(check.at, corner) for corner in facts.corners):
            position = facts.position("checks", check.name, "at")
            yield _finding(f"{check.name!r} runs nowhere", "no visited corner has these conditions", position)


def callables(facts: Facts) -> Iterator[Finding]:
    """Whether files, functions and programs that checks call are there; nothing is run or imported."""
    for check in facts.plan.checks:
        if (
            check.pytest is not None
            and not (path := facts.plan.directory / check.pytest[0].partition("::")[0]).exists()
        ):
            beside = [entry.name for entry in _listed(path.parent)]
            position = facts.position("checks", check.name, "pytest")
            yield _finding(f"{check.name!r}: there is no suite {path}", suggestion(path.name, beside), position)
        for key, call in _calls(check):
            trouble = _python_trouble(call, facts) if isinstance(call, str) else _command_trouble(call, facts)
            if trouble is not None:
                numbers, advice = trouble
                yield _finding(f"{check.name!r}: {numbers}", advice, facts.position("checks", check.name, *key))


def _calls(check: Check) -> Iterator[tuple[tuple[str, ...], str | tuple[str, ...]]]:
    for key, call in (
        (("python",), check.python),
        (("command",), check.command),
        (("set_up", "run"), check.run_set_up),
        (("set_up", "corner"), check.corner_set_up),
        (("tear_down", "corner"), check.corner_tear_down),
        (("tear_down", "run"), check.run_tear_down),
    ):
        if call is not None:
            yield key, call


def _python_trouble(call: str, facts: Facts) -> tuple[str, str] | None:
    file, _, function = call.rpartition(":")
    if not file.endswith(".py"):
        return None  # a module is found on the path of the worker, which is not ours
    path = facts.plan.directory / file
    try:
        tree = ast.parse(path.read_bytes(), filename=file)
    except OSError as error:
        beside = [entry.name for entry in _listed(path.parent)]
        return f"{file} cannot be read: {error.strerror}", suggestion(path.name, beside)
    except (SyntaxError, ValueError) as error:
        line = getattr(error, "lineno", None)
        return f"{file} is no Python{f', line {line}' if line else ''}: {error.args[0]}", "mend the file"
    names = list(_defined(tree))
    if function in names or "*" in names:
        return None
    return f"{file} has no function {function!r}", suggestion(function, names)


def _defined(tree: ast.Module) -> Iterator[str]:
    """Every name that the file binds anywhere at its top level; "*" if an import could bind any."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id
        elif isinstance(node, ast.Import | ast.ImportFrom):
            yield from (alias.asname or alias.name for alias in node.names)


def _command_trouble(call: tuple[str, ...], facts: Facts) -> tuple[str, str] | None:
    program = call[0]
    if "/" not in program:
        found = shutil.which(program)
        return None if found else (f"no program {program!r} is on PATH", "install it, or write './NAME' for your own")
    path = facts.plan.directory / program
    if not path.is_file():
        return f"{program} is not there", suggestion(path.name, [entry.name for entry in _listed(path.parent)])
    if not os.access(path, os.X_OK):
        return f"{program} is not executable", f"run 'chmod +x {path}'"
    return None


def _listed(directory: Path) -> list[Path]:
    try:
        return sorted(directory.iterdir())
    except OSError:
        return []


def _finding(numbers: str, advice: str, position: str) -> Finding:
    return Finding(severity="error", rail="", rule="checks", numbers=numbers, advice=advice, position=position)
