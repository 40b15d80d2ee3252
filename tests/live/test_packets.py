"""Taps and recorders on networks made of namespaces, side by side with tcpdump."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from lab import Lab, missing
from tests.wire import frames

from toprung.errors import LiveError, UsageError
from toprung.live.hearing import Ear
from toprung.live.packets import Settings, State, Tap
from toprung.live.saving import Recorder, Recording, Saver, taps_of
from toprung.live.sections import section
from toprung.wire.capture import PCAPNG_MAGIC
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


def frames_of(capture):
    """The frames of a capture as they were, link layer and all."""
    container = Scan(capture)._container
    at = container.open(memoryview(capture)[:24])
    found = []
    while at < len(capture):
        if capture[at : at + 4] == PCAPNG_MAGIC or capture[at : at + 4] == b"\1\0\0\0":
            at = container.special(memoryview(capture), at, len(capture), at)
            continue
        container.attach(memoryview(capture))
        at = container.fill(at, len(capture))
        rows, columns = container.records.count, container.columns
        found += [
            bytes(capture[b : b + n])
            for b, n in zip(columns["at"][:rows], columns["captured"][:rows], strict=True)
        ]
        if not rows:
            break
    return found


TAGGED = """
import socket, sys
s = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
s.bind(("usb0", 0))
for frame in sys.argv[1:]:
    s.send(bytes.fromhex(frame))
"""


@needs_lab
def test_a_virtual_networks_tag_is_put_back(lab, tmp_path):
    """IEEE 802.1Q: the kernel takes the outer tag out of what arrives; tcpdump puts it back, too."""
    base, brain = lab.machines["base"], lab.machines["brain"]
    packet = frames.ipv4(frames.udp(b"RTPS" + bytes(40)))
    macs = b"\2\0\0\0\0\2\2\0\0\0\0\1"
    sent = [
        macs + bytes.fromhex(tags) + b"\x08\0" + packet
        for tags in ("", "81000007", "8100e007", "88a80003", "88a8000381000007")
    ]
    beside = lab.record(brain, "usb0", "beside")
    wish = [Recording(tmp_path / f"{m.name}.pcapng", ("usb0",), m.pid) for m in (base, brain)]
    with Recorder(wish):
        base.run(sys.executable, "-c", TAGGED, *(frame.hex() for frame in sent))
        time.sleep(1.5)
    lab.stop_recording()
    for path in (beside.path, tmp_path / "brain.pcapng", tmp_path / "base.pcapng"):
        assert [frame for frame in frames_of(path.read_bytes()) if b"RTPS" in frame] == sent, path


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
            scan = Scan(section() + tap.head + taken)
            seen = [bytes(b.datagram(i)) for b in scan.blocks() for i in range(b.n_messages)]
            assert seen.count(mark) == 1
