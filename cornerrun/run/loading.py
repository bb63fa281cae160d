"""Find the Python callables that a plan names: "file.py:function" beside the plan, or "module:function"."""

import importlib
import importlib.util
import inspect
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

from cornerrun.plan.nearest import suggestion
from cornerrun.run.answers import clean

__all__ = ["LoadTrouble", "Loader", "where"]


class LoadTrouble(Exception):
    """Say why a callable cannot be used."""


class Loader:
    """Load callables, each file once, so that functions of one file share what it holds."""

    def __init__(self, directory: Path) -> None:
        self._directory = directory
        self._files: dict[Path, ModuleType] = {}
        self._found: dict[str, tuple[Callable[..., object], bool]] = {}

    def path(self, text: str) -> str:
        """Tell the file that a loaded callable comes from; empty if it has none."""
        module = sys.modules.get(self._found[text][0].__module__ or "")
        for path, held in self._files.items():
            if held is module:
                return str(path)
        return getattr(module, "__file__", None) or ""

    def load(self, text: str) -> tuple[Callable[..., object], bool]:
        """Return a callable, and whether it takes the view. LoadTrouble says what is wrong and what to write."""
        if text not in self._found:
            self._found[text] = self._load(text)
        return self._found[text]

    def _load(self, text: str) -> tuple[Callable[..., object], bool]:
        source, colon, name = text.rpartition(":")
        if not colon or not source.strip() or not name.strip():
            raise LoadTrouble("write it as file.py:function or module:function")
        try:
            module = self._file(source.strip()) if source.strip().endswith(".py") else importlib.import_module(source)
        except LoadTrouble:
            raise
        except BaseException as error:
            raise LoadTrouble(f"importing it fails: {where(error, self._directory)}") from error
        found: object = module
        for part in name.strip().split("."):
            if not hasattr(found, part):
                known = [key for key, item in vars(module).items() if callable(item) and not key.startswith("_")]
                raise LoadTrouble(f"{source} has no {part!r}; {suggestion(part, known)}")
            found = getattr(found, part)
        return _usable(found, name)

    def _file(self, source: str) -> ModuleType:
        path = (self._directory / source).resolve()
        if path not in self._files:
            if not path.is_file():
                raise LoadTrouble(f"there is no file {path}")
            name = f"cornerrun_check_{len(self._files)}_{path.stem}"
            spec = importlib.util.spec_from_file_location(name, path)
            if spec is None or spec.loader is None:
                raise LoadTrouble(f"{path} is no Python file")
            module = importlib.util.module_from_spec(spec)
            sys.modules[name] = module
            try:
                spec.loader.exec_module(module)
            except BaseException:
                del sys.modules[name]
                raise
            self._files[path] = module
        return self._files[path]


def _usable(found: object, name: str) -> tuple[Callable[..., object], bool]:
    if not callable(found):
        raise LoadTrouble(f"{name} is no function but {clean(type(found).__name__)}")
    if inspect.iscoroutinefunction(found) or inspect.isasyncgenfunction(found):
        raise LoadTrouble(f"{name} is async; a check is a plain function that returns when it is done")
    if inspect.isgeneratorfunction(found):
        raise LoadTrouble(f"{name} yields; a check returns its answer")
    try:
        signature = inspect.signature(found)
    except (TypeError, ValueError):
        return found, True  # a builtin that does not tell; its first trial will
    for takes_view, arguments in ((True, (None,)), (False, ())):
        try:
            signature.bind(*arguments)
        except TypeError:
            continue
        return found, takes_view
    raise LoadTrouble(f"{name}{signature} cannot be called with the view alone: def {name}(view)")


def where(error: BaseException, directory: Path) -> str:
    """Describe an exception in a line, with the innermost place in the user's own files."""
    if isinstance(error, SystemExit):
        text = f"it called sys.exit({clean(error.code, 60)})"
    else:
        shown = clean(error)
        text = f"{type(error).__name__}: {shown}" if shown else type(error).__name__
    try:
        frames = traceback.extract_tb(error.__traceback__)
    except BaseException:
        return text
    own = [frame for frame in frames if Path(frame.filename).is_relative_to(directory.resolve())]
    return f"{text} ({Path(own[-1].filename).name}, line {own[-1].lineno})" if own else text
