"""YAML -> a tree of texts with positions.

The nodes of ruamel.yaml's ``compose`` are walked, and nothing is constructed: 00123, 1.10, 0x40, on and no stay what
they are. Merge keys, tags and duplicate keys are problems; anchors and aliases work, within bounds.
"""

import re
import warnings
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError, YAMLWarning
from ruamel.yaml.nodes import MappingNode, ScalarNode, SequenceNode
from ruamel.yaml.nodes import Node as YamlNode

from cornerrun.plan.nodes import Entry, Node, ProblemList, Where, item_label, shortened

__all__ = ["compose"]

_DEEPEST = 24  # chosen: no file of ours nests deeper than 8
_MOST_NODES = 100_000  # chosen: aliases of aliases can multiply a short text without end
_EMPTY = ("", "~", "null", "Null", "NULL")
_STANDARD_TAG = "tag:yaml.org,2002:"


def compose(path: Path, text: str, role: str, problems: ProblemList) -> Node | None:
    """Read YAML text as a tree; None if it is no YAML, or no mapping. Problems go into ``problems``."""
    root = _parsed(path, text, role, problems)
    if root is None:
        return None
    walk = _Walk(path, problems)
    node = walk.node(root, "", 0)
    if walk.is_over:
        return None
    if not isinstance(node.value, Mapping):
        problems.add(node.where, role, f"a mapping is due, {node.kind} came", "begin with 'format: 1'")
        return None
    return node


def _parsed(path: Path, text: str, role: str, problems: ProblemList) -> YamlNode | None:
    where = Where(path=path, line=1, column=1)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", YAMLWarning)
            root: YamlNode | None = YAML(typ="safe", pure=True).compose(text)
        if root is not None:
            return root
        came, advice = "is empty", "begin with 'format: 1'"
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        if mark is not None:
            where = Where(path=path, line=mark.line + 1, column=mark.column + 1)
        came, advice = f"is no YAML: {error.problem or error.context}", _syntax_advice(error)
    except YAMLWarning as warning:
        said = " ".join(str(warning).split()).partition(" first occurrence")[0]
        came, advice = f"is no YAML: {said}", "give each anchor a name of its own"
    except (YAMLError, ValueError) as error:
        came, advice = f"is no YAML: {shortened(' '.join(str(error).split()), 120)}", "mend the text"
    except RecursionError:
        came, advice = "is nested too deep", "this is no file of cornerrun"
    problems.add(where, role, came, advice)
    return None


class _Walk:
    """Turns YAML nodes into ours, and counts them."""

    def __init__(self, path: Path, problems: ProblemList) -> None:
        self._path = path
        self._problems = problems
        self._count = 0
        self.is_over = False

    def _where(self, node: YamlNode) -> Where:
        return Where(path=self._path, line=node.start_mark.line + 1, column=node.start_mark.column + 1)

    def node(self, raw: YamlNode, label: str, depth: int) -> Node:
        where = self._where(raw)
        self._count += 1
        if depth > _DEEPEST or self._count > _MOST_NODES:
            if not self.is_over:
                came = "is nested too deep" if depth > _DEEPEST else "has too many values, aliases included"
                self._problems.add(where, shortened(label), came, "write it plainly; does an alias hold itself?")
            self.is_over = True
            return Node(where=where, label=label, value=None)
        if not str(raw.tag).startswith(_STANDARD_TAG):
            self._problems.add(where, label, f"the tag {shortened(str(raw.tag))!r} means nothing here", "leave it out")
        if isinstance(raw, MappingNode):
            return Node(where=where, label=label, value=self._mapping(raw, label, depth))
        if isinstance(raw, SequenceNode):
            return Node(where=where, label=label, value=self._sequence(raw, label, depth))
        text = str(raw.value)
        is_plain = isinstance(raw, ScalarNode) and not raw.style
        return Node(where=where, label=label, value=None if is_plain and text in _EMPTY else text)

    def _sequence(self, raw: SequenceNode, label: str, depth: int) -> tuple[Node, ...]:
        return tuple(self.node(item, _label_of(item, label, index), depth + 1) for index, item in enumerate(raw.value))

    def _mapping(self, raw: MappingNode, label: str, depth: int) -> dict[str, Entry]:
        entries: dict[str, Entry] = {}
        for raw_key, raw_node in raw.value:
            where = self._where(raw_key)
            if not isinstance(raw_key, ScalarNode):
                self._problems.add(where, label or "key", "a key is no text", "write plain names before the colons")
                continue
            key = str(raw_key.value)
            own_label = f"{label}.{shortened(key)}" if label else shortened(key)
            if key == "<<" and not raw_key.style:
                self._problems.add(
                    where, own_label, "merge keys are not read", "write the values out, or use 'defaults'"
                )
                continue
            if key in entries:
                first = entries[key].where
                self._problems.add(
                    where,
                    own_label,
                    f"the key {shortened(key)!r} stands here twice",
                    f"delete one of the two; the first is in line {first.line}",
                )
                continue
            node = self.node(raw_node, own_label, depth + 1)
            if node.value is None and self._is_decimal_comma(key, entries):
                continue
            entries[key] = Entry(where=where, node=node)
        return entries

    def _is_decimal_comma(self, key: str, entries: dict[str, Entry]) -> bool:
        """Whether {nominal: 0,85 V} was read as the key "85 V" after the value "0"; then put it together again."""
        last = next(reversed(entries), None)
        before = entries[last].node if last is not None else None
        if last is None or before is None or not re.fullmatch("[+-]?[0-9]+", before.text or ""):
            return False
        if not re.fullmatch(r"[0-9]+(?:\s*[^\s\d:]{1,8})?", key):
            return False
        came = f"'{before.text},{key}' has a decimal comma"
        self._problems.add(before.where, before.label, came, f"use a decimal point: '{before.text}.{key}'")
        entries[last] = Entry(where=entries[last].where, node=replace(before, value=f"{before.text}.{key}"))
        return True


def _label_of(item: YamlNode, parent: str, index: int) -> str:
    pairs = item.value if isinstance(item, MappingNode) else ()
    names = [str(value.value) for key, value in pairs if key.value == "name" and isinstance(value, ScalarNode)]
    return item_label(parent, index, names[0] if names else None)


def _syntax_advice(error: MarkedYAMLError) -> str:
    said = f"{error.problem or ''} {error.context or ''}"
    opened = f" in line {error.context_mark.line + 1}" if error.context_mark else ""
    for sign, advice in (
        ("'\\t'", "indent with spaces, not with tabs"),
        ("cannot start any token", "put the value in quotes"),
        ("mapping values are not allowed", "check the indentation, or put a text with a colon in quotes"),
        ("undefined alias", "a text that begins with * needs quotes"),
        ("another document", "one file holds one document: delete the line '---'"),
        ("end of stream", f"close what was opened{opened}"),
        ("<stream end>", f"close what was opened{opened}"),
        ("flow", f"check commas and brackets of the list or mapping that began{opened}"),
        ("block", "check the indentation of this line"),
    ):
        if sign in said:
            return advice
    return "check this line and the one before it"
