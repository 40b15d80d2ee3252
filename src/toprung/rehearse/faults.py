"""Faults on request: `KIND:SUBJECT[,key=value...][@SECONDS]`, what they do to a plan, and the truth of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from toprung.errors import UsageError
from toprung.model.causes import CAUSES
from toprung.model.ladder import Flow, Rung
from toprung.model.site import Site
from toprung.model.site_faults import nearest
from toprung.model.units import QuantityError
from toprung.rehearse.kinds import KINDS
from toprung.rehearse.kinds.kind import Ask, Key, Kind, Subject
from toprung.rehearse.specs import Plan

LIBRARIES = {"cyclone": "Cyclone DDS", "fast": "Fast DDS"}


@dataclass(frozen=True, slots=True)
class Truth:
    """What is so where a fault acts.  Flows that are neither broken nor touched are sound."""

    rungs: tuple[Rung, ...]
    causes: tuple[str, ...]  # any of them is a right answer
    broken: tuple[Flow, ...]
    touched: tuple[Flow, ...]  # some break, some do not: chance or the library decides


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of one site."""

    code: str
    subject: str
    at_s: float | None  # None: before the start
    words: str  # as it was asked for
    site: Site = field(repr=False)
    values: tuple[tuple[str, Any], ...] = ()

    @property
    def kind(self) -> Kind:
        return KINDS[self.code]

    @property
    def _ask(self) -> Ask:
        return Ask(self.site, self.subject, dict(self.values), self.at_s)

    def apply(self, plan: Plan) -> None:
        """Change the plan.  Raises UsageError where this fault cannot be made with its libraries."""
        self._check_library(plan)
        self.kind.change(plan, self._ask)

    def expects(self) -> Truth:
        """What a diagnosis with every view should say."""
        ask = self._ask
        broken = _once(self.kind.breaks(ask))
        touched = _once(f for f in self.kind.touches(ask) if f not in broken)
        causes = self.kind.causes
        rungs = tuple(dict.fromkeys(CAUSES[c][0] for c in causes))
        return Truth(rungs, causes, broken, touched)

    def _check_library(self, plan: Plan) -> None:
        wanted = self.kind.library
        if not wanted:
            return
        for name in self._concerned():
            if plan.peers[name].middleware != wanted:
                raise UsageError(
                    f"{name} runs {LIBRARIES[plan.peers[name].middleware]}, and only {LIBRARIES[wanted]} "
                    f"can be made to do this",
                    f"--fault {self.words}",
                    f"--peers {wanted}, or another participant",
                )

    def _concerned(self) -> tuple[str, ...]:
        ask = self._ask
        if self.kind.subject is Subject.TOPIC:
            ends = [{f.writer, f.reader} for f in ask.flows() if f.topic == self.subject]
            return tuple(sorted(set().union(*ends)))
        return ask.participants()


def _once(flows: Iterable[Flow]) -> tuple[Flow, ...]:
    return tuple(dict.fromkeys(flows))


# reading


def parse_fault(words: str, site: Site) -> Fault:
    """The fault that the words ask for.  Raises UsageError with the known words where there is none such."""
    where = f"--fault {words}"
    code, colon, rest = words.partition(":")
    kind = KINDS.get(code)
    if kind is None:
        right = f"`--fault help` lists them; would be right: {nearest(code, KINDS)}"
        raise UsageError(f'there is no fault "{code}"', where, right)
    rest, at, time = rest.rpartition("@") if "@" in rest else (rest, "", "")
    subject, *pairs = rest.split(",")
    if not colon or not subject:
        subject = subject or ("all" if kind.subject is Subject.SITE else "")
    _check_subject(subject, kind, site, where)
    values = _values(pairs, kind, where)
    return Fault(code, subject, _time(time, bool(at), kind, where), words, site, values)


def _known(kind: Kind, site: Site) -> list[str]:
    participants, machines = [p.name for p in site.participants], [m.name for m in site.machines]
    links = [link.name for link in site.links]
    ends = [f"{link.name}/{j.machine}" for link in site.links for j in link.joins]
    return {
        Subject.WHO: participants + machines,
        Subject.PARTICIPANT: participants,
        Subject.MACHINE: machines,
        Subject.LINK: links,
        Subject.LINK_END: ends,
        Subject.ON_LINK: links + ends,
        Subject.PLACE: links + ends + machines,
        Subject.TOPIC: list(dict.fromkeys(f.topic for f in site.flows())),
        Subject.SITE: ["all"],
    }[kind.subject]


def _check_subject(subject: str, kind: Kind, site: Site, where: str) -> None:
    known = _known(kind, site)
    if subject not in known:
        what = (
            f'"{subject}" is no {kind.subject.value} here' if subject else f"a {kind.subject.value} is needed"
        )
        raise UsageError(what, where, nearest(subject, known, limit=12))


def _values(pairs: list[str], kind: Kind, where: str) -> tuple[tuple[str, Any], ...]:
    keys = {key.name: key for key in kind.keys}
    said: dict[str, str] = {}
    for pair in pairs:
        name, _, value = pair.partition("=")
        if name not in keys or not value:
            right = ", ".join(f"{k}=..." for k in keys) or "no values"
            raise UsageError(f'"{pair}" is no value of {kind.code}', where, right)
        said[name] = value
    for key in kind.keys:
        if key.needed and key.name not in said:
            raise UsageError(f"{kind.code} needs {key.name}=", where, key.says)
    return tuple((name, _value(key, said.get(name, key.default), where)) for name, key in keys.items())


def _value(key: Key, written: str, where: str) -> Any:
    if written == "":
        return None
    try:
        return key.read(written)
    except QuantityError as error:
        raise UsageError(f"{key.name}: {error.what}", where, error.right) from None
    except ValueError as error:
        raise UsageError(f"{key.name}: {error}", where, key.says) from None


def _time(written: str, asked: bool, kind: Kind, where: str) -> float | None:
    if not asked:
        return kind.at_s
    if not kind.timed:
        raise UsageError(f"{kind.code} is there from the start", where, f"{kind.code}:... without @")
    try:
        at = float(written)
    except ValueError:
        at = -1.0
    if not 0 <= at < 86_400:
        raise UsageError(f'"{written}" is no time', where, "@ and seconds after the start, like @4.5")
    return at


# helping


def fault_help() -> str:
    """The vocabulary as text, for --help: two lines a kind, at most 100 columns."""
    lines = ["faults (KIND:SUBJECT[,key=value...][@SECONDS]):"]
    for kind in KINDS.values():
        keys = "".join(f",{k.name}={k.default or '...'}" for k in kind.keys)
        at = f"@{kind.at_s or 0:g}" if kind.timed else ""
        lines += [f"  {kind.code}:{kind.subject.value}{keys}{at}", f"      {kind.says}"]
    return "\n".join(lines)
