"""``defaults: {rail: {...}}``: what the members of ``rails`` leave out, filled in on the tree."""

from dataclasses import replace

from pydantic import BaseModel

from cornerrun.plan.nearest import nearest, suggestion
from cornerrun.plan.nodes import Entry, Node, ProblemList

__all__ = ["merge_defaults", "sections_with_defaults"]

_MARGIN_KEYS = ("margin", "levels")
_NEVER_MOVED = ("tracks", "why_fixed")


def sections_with_defaults(model: type[BaseModel]) -> dict[str, str]:
    """Tell which sections of a file take defaults, by the word used for one member: rail -> rails."""
    return {name[:-1]: name for name in model.model_fields if name.endswith("s") and len(name) > 2}


def merge_defaults(root: Node, model: type[BaseModel], problems: ProblemList) -> Node:
    """Fill members of sections from ``defaults`` and take ``defaults`` out.

    A member's own key wins; mappings merge key by key. Margins and levels never reach a rail that tracks another, or
    that says why it is fixed.
    """
    entry = root.entries.get("defaults")
    if entry is None or "defaults" in model.model_fields:
        return root
    merged = root.without("defaults")
    if entry.node.value is None:
        return merged
    sections = sections_with_defaults(model)
    if not entry.node.entries:
        problems.add(entry.node.where, "defaults", f"a mapping is due, {entry.node.kind} came", "write {rail: {...}}")
    for word, default in entry.node.entries.items():
        meant = word if word in sections else nearest(word, sections) or ""
        section = merged.entries.get(sections.get(meant, ""))
        if word != meant:
            problems.add(default.where, default.node.label, f"unknown key {word!r}", suggestion(word, sections))
        if not meant:
            continue
        if not default.node.entries:
            came = f"a mapping is due, {default.node.kind} came"
            problems.add(default.node.where, default.node.label, came, f"write what each {word} shall have")
        elif section is not None:
            merged = merged.with_entry(sections[meant], _filled_section(section.node, default.node), section.where)
    return merged


def _filled_section(section: Node, default: Node) -> Node:
    if isinstance(section.value, tuple):
        return replace(section, value=tuple(_filled_member(item, default) for item in section.value))
    filled = {
        key: Entry(where=entry.where, node=_filled_member(entry.node, default))
        for key, entry in section.entries.items()
    }
    return replace(section, value=filled) if filled else section


def _filled_member(member: Node, default: Node) -> Node:
    if not isinstance(member.value, dict):
        return member
    if any(key in member.entries for key in _NEVER_MOVED):
        for key in _MARGIN_KEYS:
            default = default.without(key)
    return _filled(member, default)


def _filled(own: Node, default: Node) -> Node:
    filled = own
    for key, entry in default.entries.items():
        mine = own.entries.get(key)
        if mine is None:
            filled = filled.with_entry(key, entry.node, entry.where)
        elif mine.node.entries and entry.node.entries:
            filled = filled.with_entry(key, _filled(mine.node, entry.node), mine.where)
    return filled
