"""Makes the corpus: every case as real traffic, captured, with its truth beside it.

    python tests/live/corpus.py [--out /tmp/corpus] [--only ID,ID...] [--jobs 2] [--again]

Needs root (network namespaces), tcpdump, nft, Cyclone DDS for Python and Fast DDS for C++.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import traceback
import zlib
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from cases import CASES, Case
from lab import build_clock_shim, build_fast_peer
from plan import cart, dump, flow_counts, keep, perform


def make(case: Case, out: Path, tools: Path, salt: str = "") -> dict:
    """Run one case; its entry of truth.json."""
    plan = cart(case.middleware, zlib.crc32((case.id + salt).encode()) % 10_000, case.usb)
    for edit in case.edits:
        edit(plan)
    folder = out / case.id
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    counts = perform(plan, folder, tools)
    keep(folder, plan)
    samples, policies = flow_counts(plan, counts)
    broken = [f for f in samples if touched(f, case.broken)]
    spared = [f for f in broken if case.race and samples[f]["received"]]
    broken = [f for f in broken if f not in spared]
    shaky = [f for f in samples if touched(f, case.shaky)] + spared
    sound = [f for f in samples if f not in broken and f not in shaky]
    return {
        "id": case.id,
        "what": case.what,
        "middleware": plan.middleware,
        "rung": list(case.rung) or None,
        "cause": list(case.cause) or None,
        "broken": broken,
        "sound": sound,
        "samples": samples,
        "incompatible_policy_ids": policies,
        **case.extra,
    }


def touched(flow: str, names: tuple[str, ...]) -> bool:
    """Whether a flow is meant: by its topic's last name, or "topic>reader" where only one reader is."""
    topic, _, ends = flow.partition(" ")
    short = topic.rsplit("/", 1)[-1]
    return short in names or f"{short}>{ends.rsplit(' ', 1)[-1]}" in names


def doubts(entry: dict, case: Case) -> list[str]:
    """Where the peers' counts do not bear out what the case says."""
    found = []
    for flow, n in entry["samples"].items():
        if flow in entry["broken"] and not case.moving and n["received"]:
            found.append(f"broken, yet {n}: {flow}")
        if flow in entry["sound"] and n["received"] < 0.75 * n["sent"] - 3:
            found.append(f"sound, yet {n}: {flow}")
        if flow in entry["sound"] and n["received"] == 0:
            found.append(f"sound, yet {n}: {flow}")
    return found


def guarded(name: str, out: Path, tools: Path, salt: str) -> tuple[dict | None, str]:
    try:
        return make(next(c for c in CASES if c.id == name), out, tools, salt), ""
    except Exception:
        return None, traceback.format_exc()


def make_all(names: list[str], out: Path, jobs: int, salt: str = "") -> None:
    """Run cases side by side; truth.json grows as they end."""
    tools = out / ".tools"
    tools.mkdir(parents=True, exist_ok=True)
    build_fast_peer(tools)
    build_clock_shim(tools)
    truth, by_id = read_truth(out), {c.id: c for c in CASES}
    with ProcessPoolExecutor(jobs) as pool:
        waiting = {pool.submit(guarded, name, out, tools, salt): name for name in names}
        for done in as_completed(waiting):
            name, (entry, trouble) = waiting[done], done.result()
            if entry is None:
                sys.stdout.write(f"{name}: FAILED\n{trouble}\n")
                continue
            truth[name] = entry
            dump([truth[c.id] for c in CASES if c.id in truth], out / "truth.json")
            worries = doubts(entry, by_id[name])
            said = "".join(f"    {w}\n" for w in worries)
            sys.stdout.write(f"{name}: {'LOOK' if worries else 'ok'}\n{said}")
            sys.stdout.flush()


def read_truth(out: Path) -> dict[str, dict]:
    path = out / "truth.json"
    return {e["id"]: e for e in json.loads(path.read_text())} if path.exists() else {}


def share(names: list[str], out: Path, target: Path) -> None:
    """Copy some cases, with their truth, to another folder."""
    truth = read_truth(out)
    shutil.rmtree(target, ignore_errors=True)
    for name in names:
        shutil.copytree(out / name, target / name)
    dump([truth[n] for n in names], target / "truth.json")


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--out", type=Path, default=Path("/tmp/corpus"))
    words.add_argument("--only", default="", help="ids, with commas between")
    words.add_argument("--jobs", type=int, default=2)
    words.add_argument("--salt", default="", help="any word: other addresses, rates and sizes")
    words.add_argument("--again", action="store_true", help="also cases that are there already")
    words.add_argument("--share", type=Path, help="run nothing; copy the cases of --only to this folder")
    said = words.parse_args()
    wanted = said.only.split(",") if said.only else [c.id for c in CASES]
    if said.share:
        share(wanted, said.out, said.share)
        return 0
    there = {} if said.again else read_truth(said.out)
    make_all([n for n in wanted if n not in there], said.out, said.jobs, said.salt)
    return 0


if __name__ == "__main__":
    sys.exit(main())
