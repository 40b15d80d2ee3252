"""Vendor ids of RTPS implementations (DDSI-RTPS 2.5, 9.3.1.4; list of the DDS Foundation, 2023-11-03).

The names are those of the ids' holders, not of products.
"""

from __future__ import annotations

CYCLONE = 0x0110
FAST = 0x010F

HOLDERS = {
    0x0000: "unknown",
    0x0101: "Real-Time Innovations",
    0x0102: "ADLink (formerly PrismTech)",
    0x0103: "Object Computing",
    0x0104: "MilSoft",
    0x0105: "Kongsberg",
    0x0106: "Twin Oaks Computing",
    0x0107: "Lakota",
    0x0108: "ICOUP",
    0x0109: "ETRI",
    0x010A: "Real-Time Innovations (micro)",
    0x010B: "ADLink",
    0x010C: "PrismTech",
    0x010D: "ADLink",
    0x010E: "Technicolor",
    FAST: "eProsima",
    CYCLONE: "Eclipse Foundation",
    0x0111: "Gurum Networks",
    0x0112: "Atostek",
    0x0113: "Nanjing Zhenrong",
    0x0114: "S2E Software Systems",
}


def holder(vendor: int) -> str:
    """Who holds a vendor id: "Eclipse Foundation", or "vendor 0x0199" for one that is not listed."""
    return HOLDERS.get(vendor, f"vendor 0x{vendor:04x}")
