"""One rehearsal from beginning to end: machines, links, captures, participants, events, counts.

    with Rehearsal(plan) as rehearsal:
        rehearsal.wait()
        observed = observe(site, rehearsal.words())
    rehearsal.counts()

Everything it made is gone afterwards, in whatever way it ends.
"""

from __future__ import annotations

import random
import signal
import threading
import time
from collections.abc import Iterable
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from urllib.parse import quote

from toprung.errors import RehearseError
from toprung.live.leftovers import REHEARSAL, temporary_folder
from toprung.live.reading import CaptureWord
from toprung.rehearse.ether import Ether
from toprung.rehearse.machines import Machine, end, hold, missing
from toprung.rehearse.network import check_links, configure, links_of
from toprung.rehearse.peers import Counts, Peer, lacks, merged, prepare, start_peer, start_server, stop_peers
from toprung.rehearse.recording import Recording
from toprung.rehearse.slowing import Slower, lapse
from toprung.rehearse.specs import Action, Begin, Carrier, Claim, End, Lapse, Plan, SetRules

STAGGER_S = 0.15  # participants begin one after the other, up to this far apart
SETTLE_S = 0.3  # from the first packet that can be captured to the first participant
SERVER_S = 0.5  # a discovery server gets ready
ON_ITS_WAY_S = 0.1  # the last packets are delivered
SPARE_S = 60.0  # participants outlive the plan by this, should nobody end them


def lacking(plan: Plan) -> str:
    """Why a plan cannot run here, and how to change that; empty if it can."""
    filters = any(machine.filters for machine in plan.machines.values())
    why = missing({"nft": "nftables"} if filters else None)
    return why or ", ".join(lacks(libraries(plan), bool(plan.servers), _wrong_clocks(plan)))


def libraries(plan: Plan) -> set[str]:
    """The DDS libraries that it runs."""
    return {peer.middleware for peer in plan.peers.values()}


def _wrong_clocks(plan: Plan) -> bool:
    return any(machine.clock_s for machine in plan.machines.values())


def file_name(name: str) -> str:
    """A machine's or participant's name as that of a file."""
    return quote(name, safe=" ")


class Rehearsal:
    """A plan while it runs, to be entered and left by the same thread.

    folder: for captures and counts; None: a temporary one, removed at the end.  tools: folder of compiled
    programs, if not the usual one.
    """

    def __init__(
        self, plan: Plan, folder: Path | None = None, *, seed: int = 0, tools: Path | None = None
    ) -> None:
        self.plan = plan
        self.seed = seed
        self.tools = tools
        self.machines: dict[str, Machine] = {}
        self.peers: list[Peer] = []
        self.links: dict[str, dict[str, float]] = {}  # what each link counted (`Tally`), at the end
        self.failures: dict[str, str] = {}  # the last words of participants that could not go on, at the end
        self.ran_s = 0.0  # how long participants ran, at the end
        self.over = threading.Event()
        self._wanted = folder
        self._counts: dict[str, Counts] | None = None
        self._captures: dict[str, Path] = {}
        self._failure: BaseException | None = None
        self._lock = threading.Lock()
        self._conductor: threading.Thread | None = None
        self._idle = threading.Event()  # nothing more will be started
        self._let_go = threading.Event()

    # -- while it runs --------------------------------------------------------------------------------

    @property
    def seconds(self) -> float:
        """How long it takes from the first participant on."""
        return self.plan.seconds + (self.plan.capture_after_s or 0.0)

    @property
    def elapsed_s(self) -> float:
        """Since the first participant began."""
        return time.monotonic() - self._begun

    def wait(self, seconds: float | None = None) -> bool:
        """Wait so long, or to the end; whether it is over.  Raises what went wrong meanwhile."""
        left = max(0.0, self.seconds - self.elapsed_s)
        self.over.wait(left if seconds is None else min(seconds, left))
        if self._failure is not None:
            raise self._failure
        return self.elapsed_s >= self.seconds

    def captures(self) -> dict[str, Path]:
        """Every recorded machine's capture, as far as it has come."""
        return dict(self._captures)

    def words(self) -> list[CaptureWord]:
        """The captures as `toprung.live.reading.observe` takes them."""
        return [CaptureWord(machine, str(path)) for machine, path in self._captures.items()]

    def counts(self) -> dict[str, Counts]:
        """What each participant counted itself, by name and topic."""
        return merged(self.running()) if self._counts is None else self._counts

    def running(self, machine: str | None = None, name: str | None = None) -> list[Peer]:
        """Participants begun so far, of one machine or of one name."""
        with self._lock:
            peers = list(self.peers)
        return [p for p in peers if machine in (None, p.machine.name) and name in (None, p.name)]

    # -- beginning and end ----------------------------------------------------------------------------

    def __enter__(self) -> Rehearsal:
        if why := lacking(self.plan):
            raise RehearseError("the site cannot run here", "rehearsal", why)
        self._held = ExitStack()
        try:
            self._begin()
        except BaseException:
            self._held.close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._held.close()

    def _begin(self) -> None:
        """Make everything; what is made is let go in the opposite order."""
        plan, held = self.plan, self._held
        links = links_of(plan)
        check_links(links)
        prepare(libraries(plan), _wrong_clocks(plan), self.tools)
        self.folder = self._wanted or held.enter_context(temporary_folder(REHEARSAL))
        self.folder.mkdir(parents=True, exist_ok=True)
        for name in plan.machines:
            self.machines[name] = hold(name)
            held.callback(self.machines[name].close)
        rates = {m.name: m.slowed for m in plan.machines.values() if m.slowed is not None}
        self.slower = Slower(rates, lambda machine: self.running(machine=machine))
        self.ether = Ether(links, self.machines, plan.machines, self.slower.heard, self.seed)
        held.callback(self._close_ether)
        for name, spec in plan.machines.items():
            configure(self.machines[name], spec, {i for link in links for m, i in link.joins if m == name})
        held.callback(self._release)
        held.callback(self._stop_peers)
        held.callback(self.slower.close)
        for server in plan.servers:
            log = self.folder / "server.log"
            process = start_server(self.machines[server.machine], server.addresses, server.port, log)
            held.callback(end, process, signal.SIGTERM, 1.0)
        if plan.capture_after_s is None:
            self._record()
        held.callback(self._stop_recording)
        self._conduct()

    def _conduct(self) -> None:
        """Have a thread begin the participants and let events happen.

        What it starts ends with it, so it stays until all has ended.
        """
        begun = threading.Event()
        self._conductor = threading.Thread(target=self._perform, args=(begun,), name="conductor", daemon=True)
        self._begun = time.monotonic()
        self._conductor.start()
        self._held.callback(self._idle.wait)
        self._held.callback(self.over.set)
        begun.wait()

    def _release(self) -> None:
        self._let_go.set()
        if self._conductor is not None:
            self._conductor.join()

    def _close_ether(self) -> None:
        self.ether.close()
        self.links = self.ether.tally

    def _stop_peers(self) -> None:
        self.ran_s = self.elapsed_s if self._conductor else 0.0
        self.failures = {peer.name: words for peer in self.running() if (words := peer.failure())}
        stop_peers(self.running())
        self._counts = merged(self.running())

    # -- captures -------------------------------------------------------------------------------------

    def _record(self) -> None:
        wanted = [m.name for m in self.plan.machines.values() if m.captured]
        files = {name: self.folder / f"{file_name(name)}.pcapng" for name in wanted}
        self._recording = Recording(self.machines, files)
        self._captures = files

    def _stop_recording(self) -> None:
        """First nobody sends any more, and what was on its way comes: all captures end with the same ones."""
        if self._captures:
            for peer in self.running():
                peer.signal(signal.SIGSTOP)
            time.sleep(ON_ITS_WAY_S + max((link.delay_s for link in self.plan.links.values()), default=0.0))
            self._recording.stop()

    # -- participants and events ----------------------------------------------------------------------

    def _perform(self, begun: threading.Event) -> None:
        try:
            time.sleep(SETTLE_S + SERVER_S * bool(self.plan.servers))
            self._begun = time.monotonic()
            begun.set()
            for at_s, what in sorted(self._schedule(), key=lambda pair: pair[0]):
                if self.over.wait(max(0.0, self._begun + at_s - time.monotonic())):
                    break
                what()
        except BaseException as failure:
            self._failure = failure
            self.over.set()
        begun.set()
        self._idle.set()
        self._let_go.wait()

    def _schedule(self) -> Iterable[tuple[float, partial[None]]]:
        dice = random.Random(self.seed)
        at_s = 0.0
        for peer in self.plan.peers.values():
            if peer.begins_s is None:
                continue
            if peer.begins_s:
                yield peer.begins_s, partial(self._act, Begin(peer.name))
            else:
                yield at_s, partial(self._act, Begin(peer.name))
                at_s += dice.uniform(0.0, STAGGER_S)
        if self.plan.capture_after_s is not None:
            yield self.plan.capture_after_s, partial(self._record)
        for event in self.plan.events:
            yield event.at_s, partial(self._act, event.what)

    def _act(self, what: Action) -> None:
        match what:
            case Begin(name):
                self._start(name)
            case End(name, goodbye):
                for peer in self.running(name=name):
                    peer.signal(signal.SIGTERM if goodbye else signal.SIGKILL)
            case Lapse(name, stopped_s, running_s):
                peers = partial(self.running, name=name)
                words = (peers, stopped_s, running_s, self.over)
                threading.Thread(target=lapse, args=words, name="lapse", daemon=True).start()
            case SetRules(link, rules):
                self.ether.set_rules(link, rules)
            case Carrier(machine, interface, up):
                self.ether.set_carrier(machine, interface, up)
            case Claim(machine, interface, address, every_s):
                self.ether.claim(machine, interface, address, every_s)

    def _start(self, name: str) -> None:
        spec = self.plan.peers[name]
        stem = self.folder / f"{file_name(name)}.{len(self.peers)}"
        log = self.folder / f"{file_name(name)}.log"
        made = start_peer(
            self.machines[spec.machine], spec.as_json(self.seconds + SPARE_S), stem, log, self.tools
        )
        with self._lock:
            self.peers.append(made)
