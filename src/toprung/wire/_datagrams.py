# cython: boundscheck=True, wraparound=False, initializedcheck=False
# mypy: ignore-errors
# (C types: Cython checks them)
"""Captured packets -> one row a UDP datagram that carries RTPS, or a piece (IP fragment) of a datagram.

Compiled from this same file (Cython, pure Python mode); uncompiled it is oracle and fallback.  Link types
as numbered by `toprung.wire.link`; IPv4 (RFC 791), IPv6 with extension headers (RFC 8200), UDP (RFC 768).
The IP total length decides where a packet ends (Ethernet pads short ones), unless it is 0 (segmentation
offload); the UDP checksum is never looked at (offload leaves it unset).  ARP and ICMP are set aside.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython

from toprung.wire.columns import MessageFlag, shortest
from toprung.wire.faults import Fault
from toprung.wire.link import Framing

if not cython.compiled:
    from toprung.wire._bytes import u16be, u32be, u32le, u64be

ETHERNET = cython.declare(cython.int, int(Framing.ETHERNET))
COOKED = cython.declare(cython.int, int(Framing.COOKED))
COOKED2 = cython.declare(cython.int, int(Framing.COOKED2))
RAW_IP = cython.declare(cython.int, int(Framing.RAW_IP))
FAMILY = cython.declare(cython.int, int(Framing.FAMILY))

IPV4 = cython.declare(cython.int, 0x0800)
IPV6 = cython.declare(cython.int, 0x86DD)
ARP = cython.declare(cython.int, 0x0806)
VLAN = cython.declare(cython.int, 0x8100)
QINQ = cython.declare(cython.int, 0x88A8)
OLD_QINQ = cython.declare(cython.int, 0x9100)

HOP_BY_HOP = cython.declare(cython.int, 0)
ICMP = cython.declare(cython.int, 1)
UDP = cython.declare(cython.int, 17)
ROUTING = cython.declare(cython.int, 43)
FRAGMENT = cython.declare(cython.int, 44)
AUTHENTICATION = cython.declare(cython.int, 51)
ICMP6 = cython.declare(cython.int, 58)
DESTINATION = cython.declare(cython.int, 60)
MOBILITY = cython.declare(cython.int, 135)

MAGIC = cython.declare(cython.uint, int.from_bytes(b"RTPS", "little"))
MAPPED = cython.declare(cython.ulonglong, 0xFFFF << 32)  # ::ffff:a.b.c.d (RFC 4291, 2.5.5.2)
ONES = cython.declare(cython.ulonglong, 0xFFFF_FFFF)
BROADCAST = cython.declare(cython.ulonglong, 0xFFFF_FFFF_FFFF)

MULTICAST = cython.declare(cython.int, int(MessageFlag.MULTICAST))
CUT = cython.declare(cython.int, int(MessageFlag.CUT))
OUTGOING = cython.declare(cython.int, int(MessageFlag.OUTGOING))
INCOMING = cython.declare(cython.int, int(MessageFlag.INCOMING))

F_LINK = cython.declare(cython.int, int(Fault.LINK))
F_IP_HEADER = cython.declare(cython.int, int(Fault.IP_HEADER))
F_IP_LENGTH = cython.declare(cython.int, int(Fault.IP_LENGTH))
F_FRAGMENT = cython.declare(cython.int, int(Fault.FRAGMENT))
F_UDP = cython.declare(cython.int, int(Fault.UDP))
F_LINK_TYPE = cython.declare(cython.int, int(Fault.LINK_TYPE))


class Datagrams:
    """Reads records, fills message rows.

    A piece stands in a row (`piece` is 2 * its place + more-fragments, else -1) until the joiner has it.
    """

    def __init__(
        self,
        records: Any,
        messages: Any,
        asides: Any,
        neighbours: Any,
        addresses: Any,
        joiner: Any,
        faults: Any,
    ) -> None:
        self.r_time, self.r_at = records["time_ns"], records["at"]
        self.r_captured, self.r_length = records["captured"], records["length"]
        self.r_interface, self.r_way = records["interface"], records["way"]
        self.time_ns, self.packet, self.interface = (
            messages["time_ns"],
            messages["packet"],
            messages["interface"],
        )
        self.source, self.target = messages["source"], messages["target"]
        self.source_port, self.target_port = messages["source_port"], messages["target_port"]
        self.ttl, self.flags, self.size = messages["ttl"], messages["flags"], messages["size"]
        self.wire_bytes, self.fragments = messages["wire_bytes"], messages["fragments"]
        self.begin, self.room = messages["begin"], messages["room"]
        self.ip_id, self.piece = messages["ip_id"], messages["piece"]
        self.aside_kind, self.aside_time = asides["kind"], asides["time_ns"]
        self.aside_packet = asides["packet"]
        self.aside_size, self.aside_captured = asides["size"], asides["captured"]
        self.aside_at, self.aside_end, self.aside_source = asides["at"], asides["end"], asides["source"]
        self.n_mac, self.n_address, self.n_before = (
            neighbours["mac"],
            neighbours["address"],
            neighbours["before"],
        )
        self.n_count, self.n_bytes = neighbours["count"], neighbours["bytes"]
        self.n_first_ns, self.n_last_ns = neighbours["first_ns"], neighbours["last_ns"]
        self.n_first, self.n_last = neighbours["first"], neighbours["last"]
        self.n_latest = neighbours["latest"]
        self.addresses, self.joiner = addresses, joiner
        self.faults = faults
        self.neighbours = 0
        self.short = 0
        self.count = 0
        self.asides = 0
        self.capacity = shortest(messages)
        self.records = shortest(records)

    def declare(self, framing: Any) -> None:
        """The `Framing` of each interface of the capture, one octet each."""
        self.framing = framing

    def forget(self) -> None:
        """Drop what was counted so far (not what was numbered)."""
        row: cython.Py_ssize_t
        for row in range(self.neighbours):
            self.n_latest[self.n_address[row]] = -1
        self.neighbours = 0
        self.short = 0

    def start(self, data: Any) -> None:
        """Start a block of message rows; where its packets stand."""
        self.data = data
        self.count = 0
        self.asides = 0

    def _run(self, records, packets_before):
        """Append what `records` rows carry; the first is packet `packets_before` + 1."""
        row: cython.Py_ssize_t
        for row in range(min(records, self.records)):
            self.row = row
            self.number = packets_before + 1 + row
            self._frame(self.r_at[row], self.r_at[row] + self.r_captured[row], self.r_interface[row])
        return 0

    def _fault(self, kind, end):
        """Count what is malformed; a packet that was merely cut is not."""
        if end >= self.wire_end:
            self.faults[kind] += 1
        return 0

    def _frame(self, at, end, interface):
        framing: cython.int = self.framing[interface]
        kind: cython.int = 0
        head: cython.Py_ssize_t
        self.wire_end = at + self.r_length[self.row]
        if end < self.wire_end:
            self.short += 1
        self.mac_at = -1
        self.marks = self.r_way[self.row]
        self.nic = interface
        head = 14 if framing == ETHERNET else 16 if framing == COOKED else 20 if framing == COOKED2 else 0
        if framing == FAMILY:
            head = 4
        if at + head + 1 > end:
            return self._fault(F_LINK, end)
        if framing == ETHERNET:
            kind = u16be(self.data, at + 12)
            self.mac_at = at + 6
        elif framing == COOKED:
            kind = u16be(self.data, at + 14)
            self._cooked(u16be(self.data, at), u16be(self.data, at + 4), at + 6)
        elif framing == COOKED2:
            kind = u16be(self.data, at)
            self.nic = u32be(self.data, at + 4) & 0xFFFF
            self._cooked(self.data[at + 10], self.data[at + 11], at + 12)
        elif framing in (RAW_IP, FAMILY):
            kind = IPV6 if self.data[at + head] >> 4 == 6 else IPV4
        else:
            self.faults[F_LINK_TYPE] += 1
            return 0
        at += head
        while kind in (VLAN, QINQ, OLD_QINQ) and at + 4 <= end:
            kind = u16be(self.data, at + 2)
            at += 4
        if kind == IPV4:
            return self._ipv4(at, end)
        if kind == IPV6:
            return self._ipv6(at, end)
        if kind == ARP:
            return self._aside(ARP, at, end)
        return 0

    def _cooked(self, packet_type, address_length, at):
        """Linux cooked: 0..2 came to this machine, 3 was overheard, 4 was sent by it."""
        if packet_type == 4:
            self.marks = OUTGOING
        elif packet_type <= 2:
            self.marks = INCOMING
        if address_length == 6:
            self.mac_at = at
        return 0

    def _aside(self, kind, at, end):
        row: cython.Py_ssize_t = self.asides
        self.aside_kind[row] = kind
        self.aside_at[row] = at
        self.aside_end[row] = end
        self.aside_source[row] = 0 if kind == ARP else self.from_
        self.aside_time[row] = self.r_time[self.row]
        self.aside_packet[row] = self.number
        self.aside_size[row] = self.r_length[self.row]
        self.aside_captured[row] = self.r_captured[self.row]
        self.asides += 1
        return 0

    def _ipv4(self, at, end):
        first: cython.ulonglong = u64be(self.data, at)  # version, length, ..., identification, place
        second: cython.ulonglong = u64be(self.data, at + 8)  # time to live, protocol, checksum, source
        head: cython.int = (first >> 56 & 15) * 4
        total: cython.int = first >> 32 & 0xFFFF
        claimed: cython.Py_ssize_t = self.wire_end
        if at + 20 > end or first >> 60 != 4 or head < 20 or at + head > end:
            return self._fault(F_IP_HEADER, end)
        if total != 0:
            claimed = at + total
        if claimed > self.wire_end or claimed < at + head:
            self.faults[F_IP_LENGTH] += 1
            if claimed < at + head:
                return 0
        self.hops = second >> 56
        self.id = first >> 16 & 0xFFFF
        self.from_ = self.addresses.index(0, MAPPED | (second & ONES))
        self.to_high = 0
        self.to_low = MAPPED | u32be(self.data, at + 16)
        if self.to_low >> 28 & 15 == 14 or self.to_low == BROADCAST:
            self.marks |= MULTICAST
        self._neighbour()
        end = min(end, claimed)
        total = (first & 0x1FFF) << 4 | (first >> 13 & 1)  # place and more-fragments
        return self._transport(second >> 48 & 0xFF, total, at + head, end, claimed)

    def _ipv6(self, at, end):
        """Walks at most eight extension headers; of a fragment, only those before the fragment header."""
        protocol: cython.int
        place: cython.int = 0
        _step: cython.int
        claimed: cython.Py_ssize_t = self.wire_end
        if at + 40 > end or self.data[at] >> 4 != 6:
            return self._fault(F_IP_HEADER, end)
        if u16be(self.data, at + 4) != 0:
            claimed = at + 40 + u16be(self.data, at + 4)
        if claimed > self.wire_end:
            self.faults[F_IP_LENGTH] += 1
        self.hops = self.data[at + 7]
        self.id = 0
        self.from_ = self.addresses.index(u64be(self.data, at + 8), u64be(self.data, at + 16))
        self.to_high = u64be(self.data, at + 24)
        self.to_low = u64be(self.data, at + 32)
        if self.data[at + 24] == 0xFF:
            self.marks |= MULTICAST
        self._neighbour()
        protocol = self.data[at + 6]
        at += 40
        end = min(end, claimed)
        for _step in range(8):
            if at + 8 > end or place != 0:
                break
            if protocol == FRAGMENT:
                place = (u16be(self.data, at + 2) & 0xFFF8) << 1 | (u16be(self.data, at + 2) & 1)
                self.id = u32be(self.data, at + 4)
                protocol = self.data[at]
                at += 8
            elif protocol in (HOP_BY_HOP, ROUTING, DESTINATION, MOBILITY):
                protocol = self.data[at]
                at += (self.data[at + 1] + 1) * 8
            elif protocol == AUTHENTICATION:
                protocol = self.data[at]
                at += (self.data[at + 1] + 2) * 4
            else:
                break
        return self._transport(protocol, place, at, end, claimed)

    def _transport(self, protocol, place, at, end, claimed):
        """`place` is 2 * the fragment's place + more-fragments; `claimed` where it ended when it was sent."""
        length: cython.Py_ssize_t = claimed - at
        if protocol == UDP:
            if place == 0:
                return self._udp(at, end, claimed)
            if length <= 0 or (place >> 1) + length > 65535 or (place & 1 == 1 and length & 7 != 0):
                self.faults[F_FRAGMENT] += 1
                return 0
            self._row(at, max(at, end), length, place)
            self.count += self.joiner.add(self.count - 1) - 1
            return 0
        if protocol in (ICMP, ICMP6) and place >> 1 == 0:
            return self._aside(protocol, at, end)
        return 0

    def _udp(self, at, end, claimed):
        head: cython.ulonglong = u64be(self.data, at)
        length: cython.Py_ssize_t = head >> 16 & 0xFFFF
        if at + 8 > end:
            return self._fault(F_UDP, end)
        if length == 0:
            length = claimed - at
        if length < 8:
            self.faults[F_UDP] += 1
            return 0
        if at + length < end:
            end = at + length
        if at + 12 > end or u32le(self.data, at + 8) != MAGIC:
            return 0
        if at + length > claimed:
            self.faults[F_UDP] += 1
        self.source_port[self.count] = head >> 48
        self.target_port[self.count] = head >> 32 & 0xFFFF
        return self._row(at + 8, end, length - 8, -1)

    @cython.boundscheck(False)
    def _row(self, at, end, size, piece):
        row: cython.Py_ssize_t = self.count
        if row >= self.capacity:
            return 0
        self.time_ns[row] = self.r_time[self.row]
        self.packet[row] = self.number
        self.interface[row] = self.nic
        self.source[row] = self.from_
        self.target[row] = self.addresses.index(self.to_high, self.to_low)
        self.ttl[row] = self.hops
        self.flags[row] = self.marks | (CUT if end - at < size else 0)
        self.size[row] = size
        self.wire_bytes[row] = self.r_length[self.row]
        self.fragments[row] = 1
        self.begin[row] = at
        self.room[row] = end - at
        self.ip_id[row] = self.id
        self.piece[row] = piece
        self.count += 1
        return 0

    def _neighbour(self):
        """Count this packet under (IP, link-layer source); the table is bounded, later pairs are dropped."""
        mac: cython.ulonglong
        row: cython.int
        if self.mac_at < 0:
            return 0
        mac = u64be(self.data, self.mac_at) >> 16
        row = self.n_latest[self.from_]
        while row >= 0 and self.n_mac[row] != mac:
            row = self.n_before[row]
        if row < 0:
            if mac == 0 or self.from_ == 0 or self.neighbours >= self.n_mac.shape[0]:
                return 0
            row = self.neighbours
            self.neighbours += 1
            self.n_mac[row] = mac
            self.n_address[row] = self.from_
            self.n_before[row] = self.n_latest[self.from_]
            self.n_latest[self.from_] = row
            self.n_count[row] = 0
            self.n_bytes[row] = 0
            self.n_first_ns[row] = self.r_time[self.row]
            self.n_first[row] = self.number
        self.n_count[row] += 1
        self.n_bytes[row] += self.r_length[self.row]
        self.n_last_ns[row] = self.r_time[self.row]
        self.n_last[row] = self.number
        return 0
