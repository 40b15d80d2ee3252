"""A participant of our own that makes everybody introduce themselves again, to a late comer.

Every participant introduces its endpoints to each one that it meets (DDSI-RTPS 2.5, 8.5.5: SEDP); a capture
that began later shows these introductions only if somebody new comes.  The late comer is a bare Cyclone DDS
participant: it has no topic, reads nothing and writes nothing.  When it leaves, it says goodbye, so that
nobody keeps it for its lease.  What it costs the others is `toprung.live.join_cost`'s affair.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

from toprung.errors import LiveError

EXTRA = "toprung[join]"
NAME = "toprung listen --join"  # as others see it


@dataclass(frozen=True, slots=True)
class Joined:
    """Our participant: what captures show under this prefix is ours."""

    prefix: bytes  # of its GUID, 12 octets


@contextmanager
def joined(
    interfaces: Sequence[str], domain: int, *, peers: Sequence[str] = (), tag: str = ""
) -> Iterator[Joined]:
    """Be a participant on these interfaces while the block runs.

    peers: addresses to look for others at, beside multicast.  Raises LiveError where the middleware is not
    installed or cannot use the interfaces.
    """
    try:
        from cyclonedds.core import DDSException
        from cyclonedds.domain import Domain, DomainParticipant
        from cyclonedds.qos import Policy, Qos
    except ImportError:
        says = f'would be right: python3 -m pip install "{EXTRA}"'
        raise LiveError("joining needs Cyclone DDS for Python", "--join", says) from None
    if os.environ.get("CYCLONEDDS_URI"):
        # it would be read in addition to ours, and may name another interface
        says = "run it without that variable"
        raise LiveError("CYCLONEDDS_URI is set, and would change how we join", "--join", says)
    try:
        space = Domain(domain, settings(interfaces, peers, tag))
        participant = DomainParticipant(domain, qos=Qos(Policy.EntityName(NAME)))
    except DDSException as error:
        says = "an interface that is up, with an address, would be right"
        raise LiveError(
            f"Cyclone DDS cannot join ({_first_line(error)})", ", ".join(interfaces), says
        ) from None
    try:
        yield Joined(participant.guid.bytes[:12])
    finally:
        _leave(participant)
        _leave(space)


def settings(interfaces: Sequence[str], peers: Sequence[str] = (), tag: str = "") -> str:
    """Cyclone DDS's configuration: these interfaces only, these peers, quiet."""
    networks = "".join(f"<NetworkInterface name={quoteattr(name)}/>" for name in interfaces)
    places = "".join(f"<Peer address={quoteattr(peer)}/>" for peer in peers)
    discovery = f"<Peers>{places}</Peers>" if peers else ""
    discovery += f"<Tag>{escape(tag)}</Tag>" if tag else ""
    general = f"<Interfaces>{networks}</Interfaces>"
    return (
        f'<CycloneDDS><Domain Id="any"><General>{general}</General><Discovery>{discovery}</Discovery>'
        "<Tracing><Verbosity>none</Verbosity></Tracing></Domain></CycloneDDS>"
    )


def _leave(entity: object) -> None:
    """Delete it at once, whatever still refers to it: only then the others are told."""
    entity.__del__()  # type: ignore[attr-defined]  # the library's only way to delete


def _first_line(error: Exception) -> str:
    return str(error).strip().splitlines()[0][:120] if str(error).strip() else type(error).__name__
