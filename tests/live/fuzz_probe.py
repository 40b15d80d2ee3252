"""Run on a lab's machine: what a probe server answers to nonsense, to changed requests and to replays.

    fuzz_probe.py KEY HOST PORT COUNT

Prints JSON: how many datagrams were sent and how many came back, of each sort; the last sort is sound.
"""

from __future__ import annotations

import json
import random
import select
import socket
import sys
import time

from toprung.live.probing.keys import first_keys, session_keys
from toprung.live.probing.messages import HELLO_BYTES, Hello, Ping, opened, sealed

rng = random.Random(11)
key, host, number, count = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
out.connect((host, number))
answers: list[bytes] = []


def send(octets: bytes) -> None:
    out.send(octets)
    collect(0.0)


def collect(seconds: float) -> None:
    end = time.monotonic() + seconds
    while select.select([out], [], [], max(0.0, end - time.monotonic()))[0]:
        answers.append(out.recv(65535))


def hello(attempt: int, nonce: bytes) -> bytes:
    body = Hello(nonce, attempt, 7, socket.inet_aton(host))
    return sealed(body, first_keys(key).asking, size_bytes=HELLO_BYTES)


def changed(good: bytes) -> bytes:
    bad = bytearray(good)
    for _ in range(rng.randint(1, 6)):
        bad[rng.randrange(len(bad))] = rng.randrange(256)
    cut = bytes(bad[: rng.randint(0, len(bad))]) if rng.random() < 0.3 else bytes(bad)
    return cut if cut != good else b""


def sort(name: str, datagrams: list[bytes]) -> None:
    answers.clear()
    for i, octets in enumerate(datagrams):
        send(octets)
        if i % 50 == 0:
            time.sleep(0.002)
    collect(0.3)
    result[name] = {"sent": len(datagrams), "came": len(answers)}


result: dict[str, dict[str, int]] = {}
send(hello(0, bytes(16)))
collect(0.5)
welcome = opened(answers[0], first_keys(key).answering)
name, keys = session_keys(key, bytes(16), welcome.body.nonce)
once = sealed(Ping(1, 1, 0, 1, 0, 0, 100), keys.asking, name, 1, 100)
sort("first", [once])
good = [hello(1, rng.randbytes(16)), once, sealed(Ping(2, 1, 0, 1, 0, 0, 1000), keys.asking, name, 2, 1000)]
sort("random", [rng.randbytes(rng.randint(0, 1400)) for _ in range(count)])
sort("changed", [changed(rng.choice(good)) for _ in range(count)])
sort("magic", [b"TPR1" + rng.randbytes(rng.randint(0, 200)) for _ in range(count // 10)])
sort("replayed", [once, hello(0, bytes(16))] * 20)
sort("other key", [sealed(Ping(1, 2, 0, 1, 0, 0, 100), bytes(32), name, 50 + i, 100) for i in range(100)])
sort("sound", [sealed(Ping(3, 1, 0, 1, 0, 0, 100), keys.asking, name, 200, 100)])
sys.stdout.write(json.dumps(result) + "\n")
