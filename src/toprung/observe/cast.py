"""The cast: which participant on the wire plays which declared one, and on which machine."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from toprung.model.picture import Endpoint, Guid


@dataclass(frozen=True, slots=True)
class Role:
    """One declared participant as it was recognised."""

    name: str
    lives: tuple[int, ...] = ()  # indices in Picture.participants, oldest first; several: it restarted
    certain: bool = False
    reason: str = "nothing on the wire resembles it"


@dataclass(frozen=True, slots=True)
class Cast:
    """Who is who.  Indices are those of Picture.participants and Picture.views."""

    roles: Mapping[str, Role]  # by declared name
    names: tuple[str, ...]  # of every participant seen: the declared one, or one made up from what it says
    machines: tuple[str | None, ...]  # of every participant seen
    views: tuple[str | None, ...]  # machine of every view
    hosts: Mapping[str, frozenset[str]]  # addresses of every machine, declared or seen
    undeclared: tuple[int, ...] = ()  # participants that play nobody, servers excepted
    servers: tuple[int, ...] = ()  # discovery servers without endpoints of their own
    topics: Mapping[Guid, str] = field(default_factory=dict)  # endpoints known by traffic that fit one topic

    def lives_of(self, name: str) -> tuple[int, ...]:
        """The lives of a declared participant, oldest first; empty where it was not seen."""
        role = self.roles.get(name)
        return role.lives if role else ()

    def certain(self, name: str) -> bool:
        """Whether no other assignment would do about as well."""
        role = self.roles.get(name)
        return role is not None and role.certain

    def reason(self, name: str) -> str:
        """What the recognition rests on, in words."""
        role = self.roles.get(name)
        return role.reason if role else "it is not declared"

    def name_of(self, participant: int) -> str:
        """A name for a participant seen."""
        return self.names[participant]

    def machine_of(self, participant: int) -> str | None:
        """The machine that a participant seen runs on; None: unknown."""
        return self.machines[participant]

    def view_machine(self, view: int) -> str | None:
        """The machine that took a capture."""
        return self.views[view]

    def hosts_of(self, machine: str) -> frozenset[str]:
        """Addresses that a machine declares, or was seen to own."""
        return self.hosts.get(machine, frozenset())

    def topic_of(self, endpoint: Endpoint) -> str | None:
        """The endpoint's topic as announced, else the one that its traffic alone fits."""
        return endpoint.topic if endpoint.topic is not None else self.topics.get(endpoint.guid)

    def complete(self, machine: str) -> bool:
        """Whether all that was seen on a machine is recognised for certain: who is missing then, is."""
        here = {i for i, m in enumerate(self.machines) if m == machine and i not in self.servers}
        sure = {i for role in self.roles.values() if role.certain for i in role.lives}
        return here <= sure
