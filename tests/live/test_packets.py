"""Taps and recorders on networks made of namespaces, side by side with tcpdump."""

from __future__ import annotations

import importlib.util
import os
import socket
import struct
import subprocess
import sys
import time
from pathlib import Path

import pytest
from lab import Lab, missing

from toprung.errors import LiveError, UsageError
from toprung.live import _ring
from toprung.live.hearing import Ear
from toprung.live.packets import Settings, State, Tap
from toprung.live.saving import Recorder, Recording, Saver, taps_of
from toprung.live.sections import interface, section
from toprung.wire.columns import MessageFlag
from toprung.wire.scan import Scan

needs_lab = pytest.mark.skipif(bool(missing()), reason=f"NOT CHECKED: {missing()}")
WAYS = MessageFlag.OUTGOING | MessageFlag.INCOMING
PYTHON = os.path.realpath("/proc/self/exe")
SEND = """
import socket, sys, time
s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
count, size, port = int(sys.argv[1]), int(sys.argv[2]), 7400
for i in range(count):
    s.sendto(b"RTPS\\2\\3\\1\\x0f" + bytes(8) + i.to_bytes(4, "big") + bytes(size), (sys.argv[3], port))
    if i % 50 == 49:
        time.sleep(0.002)
"""


@pytest.fixture
def lab(tmp_path):
    with Lab(tmp_path) as made:
        base, brain = made.machine("base"), made.machine("brain")
        made.cable(base, "usb0", "10.77.1.2/24", brain, "usb0", "10.77.1.1/24")
        yield made


def send(machine, count, size=60, target="10.77.1.1"):
    machine.run(sys.executable, "-c", SEND, str(count), str(size), target)


def payloads(capture):
    """Every RTPS message's octets, and its direction bits."""
    scan, found, ways = Scan(capture), [], set()
    for block in scan.blocks():
        found += [bytes(block.datagram(i)) for i in range(block.n_messages)]
        ways |= set((block.messages.flags[: block.n_messages] & WAYS).tolist())
    return found, ways, scan.summary


@needs_lab
@pytest.mark.parametrize("on", ["usb0", "any"])
def test_the_same_packets_as_tcpdump(lab, tmp_path, on):
    base, brain = lab.machines["base"], lab.machines["brain"]
    beside = lab.record(brain, on, "beside")
    wish = [
        Recording(tmp_path / "brain.pcapng", (on,), brain.pid),
        Recording(tmp_path / "base.pcapng", ("usb0",), base.pid),
    ]
    with Recorder(wish) as recorder:
        send(base, 300)
        send(base, 20, 9000)  # in IP fragments
        recorder.flush()
        early = (tmp_path / "brain.pcapng").read_bytes()
        send(base, 100)
        time.sleep(1.5)  # tcpdump forgets what its last block holds
    lab.stop_recording()
    theirs, _, summary = payloads(beside.path.read_bytes())
    mine, ways, own = payloads((tmp_path / "brain.pcapng").read_bytes())
    assert len(mine) == 420
    assert mine == theirs
    assert ways == {MessageFlag.INCOMING}
    assert abs(own.first_ns - summary.first_ns) < 1_000_000
    assert payloads(early)[0] == mine[:320]
    assert own.tail is None
    sent, ways, _ = payloads((tmp_path / "base.pcapng").read_bytes())
    assert sent == mine
    assert ways == {MessageFlag.OUTGOING}


@needs_lab
def test_a_clock_that_is_ahead(lab, tmp_path):
    path = tmp_path / "base.pcapng"
    wish = Recording(path, ("usb0",), lab.machines["base"].pid, offset_ns=-250_000_000_000)
    with Recorder([wish]):
        before = time.time_ns()
        send(lab.machines["base"], 10)
    found = payloads(path.read_bytes())[2]
    assert 0 < found.first_ns + 250_000_000_000 - before < 5_000_000_000


@needs_lab
def test_a_growing_file_can_be_read_at_any_time(lab, tmp_path):
    path, seen = tmp_path / "brain.pcapng", [0]
    with Recorder([Recording(path, ("usb0", "lo"), lab.machines["brain"].pid)]) as recorder:
        command = lab.machines["base"].inside(sys.executable, "-c", SEND, "8000", "200", "10.77.1.1")
        with subprocess.Popen(command) as sending:
            while sending.poll() is None:
                found, _, summary = payloads(path.read_bytes())
                assert summary.tail is None or "ends inside packet" in summary.tail
                seen.append(len(found))
        counts = recorder.stop()
    assert seen == sorted(seen)
    assert len(set(seen)) > 3
    assert len(payloads(path.read_bytes())[0]) == 8000
    assert counts[path].drops == 0


@needs_lab
def test_an_interface_goes_down_and_comes_back_and_vanishes_and_appears_again(lab):
    base, brain = lab.machines["base"], lab.machines["brain"]
    taps, head = taps_of(("usb0",), netns_pid=brain.pid)
    taken, states = bytearray(head), []
    ear = Ear(taps, lambda change: states.append(change.state))

    def listen(until):
        end = time.monotonic() + 5
        while time.monotonic() < end and not until():
            for _, chunk in ear.chunks(0.1):
                taken.extend(chunk)
        assert until(), states

    send(base, 5)
    listen(lambda: len(payloads(bytes(taken))[0]) == 5)
    brain.run("ip", "link", "set", "usb0", "down")
    listen(lambda: states == [State.DOWN])
    brain.run("ip", "link", "set", "usb0", "up")
    listen(lambda: states == [State.DOWN, State.UP])
    send(base, 5)
    listen(lambda: len(payloads(bytes(taken))[0]) == 10)
    brain.run("ip", "link", "del", "usb0")
    listen(lambda: states[2:] == [State.GONE])
    lab.cable(base, "usb0", "10.77.1.2/24", brain, "usb0", "10.77.1.1/24")
    listen(lambda: states[3:] == [State.UP])
    send(base, 5)
    listen(lambda: len(payloads(bytes(taken))[0]) == 15)
    ear.close()


@needs_lab
def test_drops_are_counted(lab):
    brain = lab.machines["brain"]
    small = Settings(ring_bytes=1 << 17, block_bytes=1 << 16)
    with Tap.open("usb0", netns_pid=brain.pid, settings=small) as tap:
        send(lab.machines["base"], 2000, 200)
        counts = tap.counts()
        assert counts.packets >= 2000
        taken = 0
        while tap.take() is not None:
            taken = tap.packets
        assert 0 < taken < 1000
        assert counts.drops == counts.packets - taken
        assert tap.counts() == counts  # adds up, although the kernel starts anew


@needs_lab
def test_namespaces_of_nobody_and_interfaces_that_are_not_there(lab):
    with pytest.raises(UsageError, match="usb7: there is no such interface; would be right: lo, usb0, any"):
        Tap.open("usb7", netns_pid=lab.machines["brain"].pid)
    with pytest.raises(UsageError, match=r"would be right: .*any"):
        Tap.open("a-name-that-is-far-too-long")
    with subprocess.Popen(["true"]) as ended:
        ended.wait()
    with pytest.raises(LiveError, match=f"lo: process {ended.pid} has ended"):
        Tap.open("lo", netns_pid=ended.pid)
    own = os.stat("/proc/thread-self/ns/net").st_ino
    assert own == os.stat(f"/proc/{os.getpid()}/ns/net").st_ino  # we have not moved


def test_a_full_disk_and_a_folder_that_is_not_there():
    saver = Saver("/dev/full")
    with pytest.raises(LiveError, match="/dev/full: no space left on device"):
        saver.write(b"head")
    saver.close()
    with pytest.raises(LiveError, match=r"/nowhere/at\.pcapng: no such file"):
        Saver("/nowhere/at.pcapng")


# -- the kernel that walks the ring


def ring_block(packets):
    """A TPACKET_V3 block as linux/if_packet.h has it: (frame, captured, vlan, way) each."""
    body, first = bytearray(), 48
    for place, (frame, length, tag, way) in enumerate(packets):
        status = 1 | (1 << 4 | 1 << 6 if tag else 0)
        mac = 80
        size = (mac + len(frame) + 15) // 16 * 16
        last = place == len(packets) - 1
        head = struct.pack(
            "=IIIIII", 0 if last else size, 1_760_000_000, 5 + place, len(frame), length, status
        )
        head += struct.pack("=HHIIHH8x", mac, mac + 14, 0, tag, 0x88A8 if tag else 0, 0)
        head += (
            struct.pack("=H", 17)
            + struct.pack(">H", 0x0800)
            + struct.pack("=iHBB8s", 3, 1, way, 6, b"\2abcde")
        )
        body += (head.ljust(mac, b"\xee") + frame).ljust(size, b"\xee")
    described = struct.pack("=IIIIIIQ8x8x", 1, 48, 1, len(packets), first, first + len(body), 1)
    return memoryview(bytes((described + body).ljust(1 << 12, b"\0")))


FRAME = b"\2\0\0\0\0\2\2\0\0\0\0\1\x08\0" + bytes(range(45))
PACKETS = [
    (FRAME, 59, 0, 0),
    (FRAME[:-1], 1500, 7, 1),
    (FRAME[:-2], 58, 0, 2),
    (FRAME[:20], 20, 0, 3),
    (b"", 60, 0, 4),
]


def plain_ring():
    spec = importlib.util.spec_from_file_location("plain_ring", Path(_ring.__file__).parent / "_ring.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.Ring


def written(ring, ethernet, out_bytes=1 << 13):
    out = memoryview(bytearray(b"\xaa" * out_bytes))
    walker = ring(out, 2, ethernet, 10)
    size = walker.write(ring_block(PACKETS))
    return bytes(out[:size]), walker.packets


def blocks_of(capture):
    """Enhanced packet blocks: (interface, ticks, length, packet, flags)."""
    at = 0
    while at < len(capture):
        kind, total, nic, high, low, captured, length = struct.unpack_from("<7I", capture, at)
        assert kind == 6
        assert capture[at + total - 4 : at + total] == total.to_bytes(4, "little")
        packet, padding = capture[at + 28 : at + 28 + captured], -captured % 4
        rest = capture[at + 28 + captured : at + total - 4]
        assert rest[:padding] == bytes(padding)
        code, size, flags, end = struct.unpack("<HHII", rest[padding:])
        assert (code, size, end) == (2, 4, 0)
        yield nic, high << 32 | low, length, packet, flags
        at += total


@pytest.mark.parametrize("ethernet", [True, False])
def test_a_ring_block_becomes_packet_blocks(ethernet):
    """draft-ietf-opsawg-pcapng 4.3: epb_flags 1 inbound, 2 outbound; from bit 2 the kind of reception."""
    compiled, uncompiled = (written(ring, ethernet) for ring in (_ring.Ring, plain_ring()))
    assert compiled == uncompiled
    found = list(blocks_of(compiled[0]))
    assert compiled[1] == len(found) == 5
    assert [flags for *_, flags in found] == [1 | 1 << 2, 1 | 3 << 2, 1 | 2 << 2, 1 | 4 << 2, 2]
    assert {nic for nic, *_ in found} == {2}
    assert [ticks % 10**9 for _, ticks, *_ in found] == [15, 16, 17, 18, 19]
    tag = bytes.fromhex("88a80007")
    if ethernet:
        assert [p for *_, p, _ in found] == [
            FRAME,
            FRAME[:12] + tag + FRAME[12:-1],
            FRAME[:-2],
            FRAME[:20],
            b"",
        ]
        assert [length for _, _, length, *_ in found] == [59, 1504, 58, 20, 60]
    else:
        for way, (packet, *_) in enumerate(p[3:] for p in found):
            head = struct.pack(">HHIHBB8s", 0x0800, 0, 3, 1, way, 6, b"\2abcde")  # LINKTYPE_LINUX_SLL2
            assert packet == head + PACKETS[way][0]
        assert [length for _, _, length, *_ in found] == [79, 1520, 78, 40, 80]


def test_what_does_not_fit_is_left_out_whole():
    whole = list(blocks_of(written(_ring.Ring, True)[0]))
    for room in (0, 50, 160, 300, 400):
        part, count = written(_ring.Ring, True, room)
        assert [b for b in whole if b in set(blocks_of(part))] == list(blocks_of(part))
        assert len(list(blocks_of(part))) == count < 5


def test_the_head_of_a_capture_is_read_back():
    scan = Scan(section() + interface("usb0", 1, 96) + interface("any", 276, 96))
    assert [block.n_messages for block in scan.blocks()] == []
    assert scan.summary.tail is None


# -- privileges


def as_nobody(*words, keep=()):
    caps = [f"--inh-caps=+{c}" for c in keep] + [f"--ambient-caps=+{c}" for c in keep]
    command = [
        "setpriv",
        "--reuid=65534",
        "--regid=65534",
        "--clear-groups",
        *(caps or ["--bounding-set=-all"]),
    ]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2] / "src")}
    return subprocess.run(
        [*command, sys.executable, "-B", *words],
        capture_output=True,
        text=True,
        check=False,
        env=environment,
        cwd="/",
        timeout=60,
    )


@pytest.mark.skipif(os.geteuid() != 0, reason="NOT CHECKED: only root can become nobody")
def test_without_the_privilege_one_line_says_how_to_grant_it():
    done = as_nobody("-m", "toprung.cli.main", "listen", "--on", "lo", "--for", "1s")
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert "CAP_NET_RAW" in done.stderr
    assert f"sudo setcap cap_net_raw+ep {PYTHON}" in done.stderr


@pytest.mark.skipif(os.geteuid() != 0, reason="NOT CHECKED: only root can become nobody")
def test_with_the_privilege_nobody_needs_to_be_root():
    done = as_nobody(
        "-c",
        "from toprung.live.packets import Tap; t = Tap.open('lo'); print(t.state(), t.counts().drops)",
        keep=["net_raw"],
    )
    assert (done.stdout, done.stderr) == ("up 0\n", "")


def test_loopback_shows_each_packet_once():
    if os.geteuid() != 0:
        pytest.skip("NOT CHECKED: packet sockets need a privilege")
    mark = b"RTPS" + os.urandom(16)
    for on in ("lo", "any"):
        with Tap.open(on) as tap, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sending:
            sending.sendto(mark, ("127.0.0.1", 9))
            taken, end = b"", time.monotonic() + 0.3
            while time.monotonic() < end:
                taken += bytes(tap.take(0.05) or b"")
            found = [p for p in blocks_of(taken) if mark in p[3] and len(p[3]) < 70]
            assert len(found) == 1
