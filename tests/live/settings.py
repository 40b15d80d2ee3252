"""A peer's neutral spec in each library's own words."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lab import Machine


def cyclone_settings(machine: Machine, spec: dict) -> str:
    """Cyclone's configuration from the spec's neutral words."""
    chosen = spec.get("interfaces") or list(machine.addresses)
    networks = "".join(f'<NetworkInterface name="{i}"/>' for i in chosen)
    mode = spec.get("mode", "multicast")
    general = f"<Interfaces>{networks}</Interfaces>"
    general += "<AllowMulticast>false</AllowMulticast>" if mode == "peers" else ""
    if spec.get("locators"):
        general += f"<ExternalNetworkAddress>{spec['locators'][0]}</ExternalNetworkAddress>"
    if spec.get("ttl"):
        general += f"<MulticastTimeToLive>{spec['ttl']}</MulticastTimeToLive>"
    discovery = "".join(f'<Peer address="{p}"/>' for p in spec.get("peers", ()))
    discovery = f"<Peers>{discovery}</Peers>" if discovery else ""
    if mode == "peers":
        discovery += f"<ParticipantIndex>{spec.get('index', 'auto')}</ParticipantIndex>"
        discovery += "<MaxAutoParticipantIndex>120</MaxAutoParticipantIndex>" if spec.get("far_index") else ""
    discovery += f"<Tag>{spec['tag']}</Tag>" if spec.get("tag") else ""
    discovery += f"<LeaseDuration>{spec['lease']} s</LeaseDuration>" if spec.get("lease") else ""
    extra = spec.get("settings", "")
    return (
        f"<CycloneDDS><Domain id='any'><General>{general}</General><Discovery>{discovery}</Discovery>{extra}"
        "</Domain></CycloneDDS>"
    )


def fast_words(machine: Machine, spec: dict) -> str:
    """The Fast DDS peer's lines from the same spec."""
    self = {
        k: spec[k]
        for k in (
            "name",
            "domain",
            "seconds",
            "mode",
            "peers",
            "server",
            "locators",
            "prefix",
            "lease",
            "announce",
            "ttl",
            "index",
        )
        if spec.get(k) is not None
    }
    if spec.get("interfaces"):
        self["interfaces"] = [machine.addresses.get(i, "127.0.0.1") for i in spec["interfaces"]]
    lines = ["participant " + _words(self)]
    for kind in ("writer", "reader"):
        for entry in spec.get(kind + "s", ()):
            flat = {k: v for k, v in entry.items() if k not in ("qos", "members")} | entry["qos"]
            lines.append(f"{kind} " + _words(flat))
    return "\n".join(lines) + "\n"


def _words(pairs: dict) -> str:
    return " ".join(
        f"{k}={','.join(map(str, v)) if isinstance(v, list | tuple) else v}"
        for k, v in pairs.items()
        if v is not False
    )
