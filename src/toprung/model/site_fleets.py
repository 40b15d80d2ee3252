"""Fleets written out: copies of machines with all that runs on them.

`fleets: {cart: {copies: 3, of: ["base{n}", "brain{n}"]}}` makes three of each.  In everything that is copied,
`{n}` becomes the copy's number, counted from 1, and `{n+20}` that number plus 20.  Copied are

- the machines named in `of`, and the participants on them; with more than one copy their names need `{n}`,
  and so do their addresses, since no two machines may have the same one;
- links, topics, services, actions and loops with `{n}` in their name: once for each copy of the one fleet
  that they name.

A link, topic, service or action without `{n}` in its name stays one; where it names a member of the fleet,
it names every copy.  Vehicles and batteries are kinds, not copies.  A fleet can also be given written
out: `of: [[base1, brain1], [base2, brain2]]`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from re import Match
from re import compile as compile_pattern
from typing import Any, ClassVar

from toprung.model.site_faults import Fault, Path
from toprung.model.site_references import entries, texts
from toprung.model.site_yaml import MOST_NODES, Tree

MOST_COPIES = 1000
_SLOT = compile_pattern(r"\{n(?:\+(\d{1,4}))?\}")
_ENDS = {
    "links": ("joins",),
    "topics": ("from", "to"),
    "services": ("from", "to"),
    "actions": ("from", "to"),
    "loops": ("through",),
}


def spread(tree: Tree) -> Tree:
    """The tree with every fleet written out; its lines are those of the originals."""
    fleets = {name: fleet for name, fleet in entries(tree.data, "fleets").items() if _to_spread(fleet)}
    if not fleets:
        return tree
    return _Spreading(tree, fleets).run()


def _to_spread(fleet: dict[str, Any]) -> bool:
    of = fleet.get("of")
    return isinstance(of, list) and all(isinstance(machine, str) for machine in of)


def _copies(fleet: dict[str, Any]) -> int:
    """How many copies to write out; a number that the schema refuses counts as one."""
    copies = fleet.get("copies", 1)
    counted = isinstance(copies, int) and not isinstance(copies, bool) and 1 <= copies <= MOST_COPIES
    return copies if counted else 1


def numbered(text: str, n: int) -> str:
    """The text with the copy's number in its slots."""

    def fill(slot: Match[str]) -> str:
        return str(n + int(slot[1] or 0))

    return _SLOT.sub(fill, text)


@dataclass(slots=True)
class _Spreading:
    """One pass over a tree, section by section."""

    tree: Tree
    fleets: dict[str, dict[str, Any]]
    data: dict[str, Any] = field(default_factory=dict)
    lines: dict[Path, int] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    members: dict[str, str] = field(default_factory=dict)  # machine, participant or topic -> fleet
    nodes: int = 0

    def run(self) -> Tree:
        self._enrol()
        self.lines[()] = self.tree.lines.get((), 1)
        for section, found in self.tree.data.items():
            if section not in self._steps or not isinstance(found, dict):
                self._put((section,), (section,), found, None)
                continue
            self._keep_line((section,), (section,))
            self.data[section] = {}
            for name, entry in found.items():
                self._steps[section](self, section, name, entry)
        faults = [*self.tree.faults, *self.faults]
        if self.nodes > MOST_NODES:
            says = f"the copies make more than {MOST_NODES} entries"
            return Tree(self.tree.data, self.tree.lines, [*faults, Fault(("fleets",), says, "fewer copies")])
        return Tree(self.data, self.lines, faults)

    def _fault(self, path: Path, says: str, right: str) -> None:
        self.faults.append(Fault(path, says, right))

    def _enrol(self) -> None:
        """Who belongs to which fleet: machines, the participants on them, the topics that name those."""
        for name, fleet in self.fleets.items():
            for at, machine in enumerate(fleet["of"]):
                path: Path = ("fleets", name, "of", at)
                if self.members.setdefault(machine, name) != name:
                    self._fault(path, f'"{machine}" is in fleet {self.members[machine]} too', "one fleet")
                self._need_slot(path, machine, name)
        for name, participant in entries(self.tree.data, "participants").items():
            home = self.members.get(str(participant.get("machine")))
            if home is not None:
                self.members[name] = home
                self._need_slot(("participants", name), name, home)
        for name, topic in entries(self.tree.data, "topics").items():
            named = self._named("topics", topic)
            if _SLOT.search(name) and len(named) == 1:
                self.members.setdefault(name, named.pop())

    def _need_slot(self, path: Path, name: str, fleet: str) -> None:
        if self._copies(fleet) > 1 and not _SLOT.search(name):
            self._fault(path, f'every copy would be called "{name}"', f'"{name}{{n}}"')

    def _copies(self, fleet: str) -> int:
        return _copies(self.fleets[fleet])

    def _named(self, section: str, entry: Any) -> set[str]:
        """The fleets that an entry names."""
        if not isinstance(entry, dict):
            return set()
        words = [word for key in _ENDS[section] for _, word in texts(entry.get(key), ())]
        words += entries(entry, "work")
        return {self.members[_owner(section, w)] for w in words if _owner(section, w) in self.members}

    def _owned(self, section: str, name: str, entry: Any) -> None:
        """A machine, or a participant on one."""
        host = str(entry.get("machine")) if isinstance(entry, dict) else ""
        fleet = self.members.get(name if section == "machines" else host)
        if fleet is None:
            self._put((section, name), (section, name), entry, None)
        else:
            self._copy(section, name, entry, fleet)

    def _shared(self, section: str, name: str, entry: Any) -> None:
        """A link, topic, service, action or loop."""
        if not _SLOT.search(name):
            self._widen(section, name, entry)
            return
        named = sorted(self._named(section, entry))
        if len(named) != 1:
            what = f"the fleets {', '.join(named)}" if named else "no member of a fleet"
            says = f"its name holds {{n}}, but it names {what}"
            self._fault((section, name), says, "members of one fleet")
        if named:
            self._copy(section, name, entry, named[0])

    def _copy(self, section: str, name: str, entry: Any, fleet: str) -> None:
        for n in range(1, self._copies(fleet) + 1):
            if self.nodes <= MOST_NODES:
                self._put((section, name), (section, numbered(name, n)), entry, n)

    def _widen(self, section: str, name: str, entry: Any) -> None:
        """One entry that names every copy where it names a member."""
        self._put((section, name), (section, name), entry, None)
        if section == "loops" or not isinstance(entry, dict):
            return
        for key in _ENDS[section]:
            words = list(texts(entry.get(key), (section, name, key)))
            if not any(_owner(section, word) in self.members for _, word in words):
                continue
            wide = [(path, copy) for path, word in words for copy in self._everyone(section, word)]
            self.data[section][name][key] = [copy for _, copy in wide]
            for at, (path, _) in enumerate(wide):
                self.lines[section, name, key, at] = self.tree.line(path) or 1

    def _everyone(self, section: str, word: str) -> tuple[str, ...]:
        """The word for every copy of its fleet; the word alone where it has none."""
        fleet = self.members.get(_owner(section, word))
        if fleet is None:
            return (word,)
        return tuple(dict.fromkeys(numbered(word, n) for n in range(1, self._copies(fleet) + 1)))

    def _write_out(self, section: str, name: str, entry: Any) -> None:
        """A fleet becomes the list of its copies' machines."""
        self._put((section, name), (section, name), entry, None)
        if name in self.fleets:
            copies = [[numbered(m, n) for m in entry["of"]] for n in range(1, self._copies(name) + 1)]
            rest = {key: value for key, value in entry.items() if key != "of"}
            self.data[section][name] = rest | {"of": copies}

    def _put(self, source: Path, target: Path, value: Any, n: int | None) -> None:
        """Put a value in its place, with the copy's number where there is one."""
        owner: Any = self.data
        for step in target[:-1]:
            owner = owner[step]
        owner[target[-1]] = self._filled(source, target, value, n)

    def _filled(self, source: Path, target: Path, value: Any, n: int | None) -> Any:
        self.nodes += 1
        self._keep_line(source, target)
        if isinstance(value, dict):
            names = {key: key if n is None else numbered(key, n) for key in value}
            return {names[k]: self._filled((*source, k), (*target, names[k]), v, n) for k, v in value.items()}
        if isinstance(value, list):
            return [self._filled((*source, at), (*target, at), item, n) for at, item in enumerate(value)]
        return numbered(value, n) if n is not None and isinstance(value, str) else value

    def _keep_line(self, source: Path, target: Path) -> None:
        line = self.tree.line(source)
        if line is not None:
            self.lines.setdefault(target, line)

    _steps: ClassVar[dict[str, Callable[[_Spreading, str, str, Any], None]]] = {
        "machines": _owned,
        "participants": _owned,
        "fleets": _write_out,
        **dict.fromkeys(_ENDS, _shared),
    }


def _owner(section: str, word: str) -> str:
    """The name that a reference leads to: of an interface, its machine."""
    return word.partition(".")[0] if section == "links" else word
