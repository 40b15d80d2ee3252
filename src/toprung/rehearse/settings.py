"""A peer's neutral spec in each library's own words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

_FAST_WORDS = (
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


def cyclone_settings(addresses: Mapping[str, str], spec: Mapping[str, Any]) -> str:
    """Cyclone's configuration.  addresses: of the machine, by interface."""
    chosen = spec.get("interfaces") or list(addresses)
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


def fast_words(addresses: Mapping[str, str], spec: Mapping[str, Any]) -> str:
    """The Fast DDS peer's lines.  addresses: of the machine, by interface."""
    said = {k: spec[k] for k in _FAST_WORDS if spec.get(k) is not None}
    if spec.get("interfaces"):
        said["interfaces"] = [addresses.get(i, "127.0.0.1") for i in spec["interfaces"]]
    lines = ["participant " + _words(said.items())]
    for kind in ("writer", "reader"):
        for entry in spec.get(kind + "s", ()):
            flat = {k: v for k, v in entry.items() if k not in ("qos", "members")} | entry["qos"]
            lines.append(f"{kind} " + _words(flat.items()))
    return "\n".join(lines) + "\n"


def _words(pairs: Iterable[tuple[str, Any]]) -> str:
    return " ".join(
        f"{k}={','.join(map(str, v)) if isinstance(v, list | tuple) else v}"
        for k, v in pairs
        if v is not False
    )
