"""YAML text -> plain data and the line of everything in it.

Reads YAML as events, so that neither nesting nor size can exhaust anything, and resolves scalars itself:
decimal numbers, `true`, `false` and empty values are what they look like, everything else is text.  Words
that YAML 1.1 takes for booleans (on, off, yes, no, ...) are refused unless quoted, since other readers of
the same file would see something else.  Anchors, aliases and tags are refused.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from re import compile as compile_pattern
from typing import Any

import yaml

from toprung.model.site_faults import Fault, Path, SiteFaults
from toprung.model.units import shortened

MOST_BYTES = 4_000_000
MOST_NODES = 200_000
DEEPEST = 20

_BOOLEAN_WORDS = frozenset(
    form
    for word in ("yes", "no", "on", "off", "true", "false")
    for form in (word, word.title(), word.upper())
)
_EMPTY = frozenset({"", "~", "null", "Null", "NULL"})
_INTEGER = compile_pattern(r"-?(0|[1-9]\d{0,17})")
_DECIMAL = compile_pattern(r"-?\d{1,17}\.\d{1,17}")
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

Data = Any  # dict[str, Data] | list[Data] | str | int | float | bool | None


@dataclass(slots=True)
class Tree:
    """A document as plain data; `lines` tells where each path stands (1-based)."""

    data: Data
    lines: dict[Path, int]
    faults: list[Fault] = field(default_factory=list)

    def line(self, path: Path) -> int | None:
        """The line of the path, or of the nearest thing above it that stands in the file."""
        while path not in self.lines and path:
            path = path[:-1]
        return self.lines.get(path)


@dataclass(slots=True)
class _Open:
    """A collection being read."""

    data: dict[str, Data] | list[Data]
    path: Path
    key: str | None = None  # of a mapping, while its value is awaited
    waits: bool = False


def read_tree(text: str | bytes, name: str) -> Tree:
    """The document; raises SiteFaults where the text is not readable as YAML at all."""
    decoded = _decoded(text, name)
    tree = Tree(None, {})
    try:
        _Builder(tree, name).build(yaml.parse(decoded, Loader=_LOADER))
    except yaml.MarkedYAMLError as error:
        raise SiteFaults(name, (_syntax_fault(error, decoded),)) from None
    except yaml.YAMLError as error:
        reason = str(getattr(error, "reason", "unreadable character"))
        at = decoded.count("\n", 0, int(getattr(error, "position", 0))) + 1
        raise SiteFaults(name, (Fault((), reason, "printable text", at),)) from None
    return tree


def _decoded(text: str | bytes, name: str) -> str:
    if len(text) > MOST_BYTES:
        fault = Fault((), f"{len(text)} bytes are too long", f"a site file of at most {MOST_BYTES} bytes")
        raise SiteFaults(name, (fault,))
    try:
        decoded = text.decode("utf-8-sig") if isinstance(text, bytes) else text
        decoded.encode()
    except UnicodeError as error:
        at = int(getattr(error, "start", 0))
        raise SiteFaults(name, (Fault((), f"byte {at} is not UTF-8", "a text file in UTF-8"),)) from None
    return decoded.removeprefix("\ufeff")


def _syntax_fault(error: yaml.MarkedYAMLError, text: str) -> Fault:
    lines = text.splitlines()
    marks = (error.problem_mark, error.context_mark)
    # what is never closed is found out at the end of the file; where it was opened says more
    at = next((m.line for m in marks if m is not None and m.line < len(lines)), None)
    right = "YAML: `key: value`, indented by spaces"
    if at is not None and "{n" in lines[at]:
        right = 'names with {n} in quotes, like "base{n}"'
    return Fault((), f"not YAML: {error.problem or error.context}", right, None if at is None else at + 1)


class _Builder:
    """Turns YAML events into a tree."""

    def __init__(self, tree: Tree, name: str) -> None:
        self.tree = tree
        self.name = name
        self.stack: list[_Open] = []
        self.nodes = 0
        self.documents = 0

    def build(self, events: Iterator[Any]) -> None:
        for event in events:
            match event:
                case yaml.DocumentStartEvent():
                    self._count_document(event)
                case yaml.AliasEvent():
                    self._stop("anchors and aliases are not read here", "the value written out", event)
                case yaml.ScalarEvent():
                    self._node(event)
                    self._scalar(event)
                case yaml.MappingStartEvent() | yaml.SequenceStartEvent():
                    self._node(event)
                    self._begin({} if isinstance(event, yaml.MappingStartEvent) else [], event)
                case yaml.MappingEndEvent() | yaml.SequenceEndEvent():
                    self.stack.pop()

    def _count_document(self, event: Any) -> None:
        self.documents += 1
        if self.documents > 1:
            self._stop("a second document begins", "one site in one file", event)

    def _node(self, event: Any) -> None:
        self.nodes += 1
        if self.nodes > MOST_NODES:
            self._stop("too many entries", f"at most {MOST_NODES}", event)
        if event.anchor is not None:
            self._stop("anchors and aliases are not read here", "the value written out", event)
        if event.tag is not None and event.tag != "!":
            self._stop(f"the tag {shortened(event.tag)} is not read here", "a value without a tag", event)

    def _stop(self, says: str, right: str, event: Any) -> None:
        raise SiteFaults(self.name, (Fault((), says, right, event.start_mark.line + 1),))

    def _begin(self, data: dict[str, Data] | list[Data], event: Any) -> None:
        if self.stack and self._awaits_key():
            self._stop("a name is needed before the colon", "key: value", event)
        if len(self.stack) >= DEEPEST:
            self._stop("nested too deeply", f"at most {DEEPEST} levels", event)
        path = self._place(data, event)
        self.stack.append(_Open(data, path))

    def _scalar(self, event: Any) -> None:
        plain = event.implicit[0]
        if self.stack and self._awaits_key():
            self._key(event, plain)
            return
        value = _resolved(event.value) if plain else event.value
        path = self._place(value, event)
        if plain and event.value in _BOOLEAN_WORDS - {"true", "false"}:
            flag = str(event.value.lower() in ("yes", "on", "true")).lower()
            says = f'YAML reads the word "{event.value}" as a boolean'
            self._fault(path, event, says, f'{flag}, or "{event.value}" in quotes')

    def _awaits_key(self) -> bool:
        return isinstance(self.stack[-1].data, dict) and not self.stack[-1].waits

    def _key(self, event: Any, plain: bool) -> None:
        top = self.stack[-1]
        path = (*top.path, event.value)
        if plain and event.value in _BOOLEAN_WORDS:
            says = f'YAML reads the key "{event.value}" as a boolean'
            self._fault(path, event, says, f'"{event.value}" in quotes, or another name')
        if event.value in top.data:
            says = f'"{shortened(event.value)}" stands twice (first in line {self.tree.lines[path]})'
            self._fault(path, event, says, "one of the two")
        else:
            self.tree.lines[path] = event.start_mark.line + 1
        top.key, top.waits = event.value, True

    def _fault(self, path: Path, event: Any, says: str, right: str) -> None:
        self.tree.faults.append(Fault(path, says, right, event.start_mark.line + 1))

    def _place(self, value: Data, event: Any) -> Path:
        """Put a value where it belongs; return its path."""
        if not self.stack:
            self.tree.data = value
            self.tree.lines[()] = event.start_mark.line + 1
            return ()
        top = self.stack[-1]
        if isinstance(top.data, list):
            path: Path = (*top.path, len(top.data))
            top.data.append(value)
        else:
            key = top.key or ""
            path = (*top.path, key)
            top.data.setdefault(key, value)
            top.waits = False
        self.tree.lines.setdefault(path, event.start_mark.line + 1)
        return path


def _resolved(text: str) -> Data:
    if text in _EMPTY:
        return None
    if text in ("true", "false"):
        return text == "true"
    if _INTEGER.fullmatch(text):
        return int(text)
    if _DECIMAL.fullmatch(text):
        return float(text)
    return text
