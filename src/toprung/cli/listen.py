"""toprung listen: the ladder, live."""

from __future__ import annotations

import argparse
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from typing import TYPE_CHECKING, Any

from toprung.cli.command import add_command

if TYPE_CHECKING:
    from toprung.live.listening import Listening, Look

LOOK_S = 1.0  # between two looks, at least
SHARE = 0.2  # of the time that looking may take
TURN_S = 0.2

_ABOUT = """Listens to the interfaces that carry DDS and shows the ladder as it is: what every flow has
reached, what stops it, and what changes. It sends nothing by itself. With a site file, its declared
flows are judged; without one, the flows that are seen.

Topics are told when participants meet: whoever starts to listen later does not see them until
somebody starts anew. With --join it comes as a bare participant itself, and goes again: that costs
every machine a little, which is said beforehand."""

_EXAMPLE = """examples:
  toprung listen site.yaml --on usb0 --on wlan0
  toprung listen --on eth0 --for 60s --save eth0.pcapng
  toprung listen site.yaml --on usb0 --json-lines

Listening needs the privilege CAP_NET_RAW. As root it is there; to grant it to this Python for good:
  sudo setcap cap_net_raw+ep $(readlink -f $(command -v python3))

exit status: 0 no findings, 1 findings, 2 bad input or usage; a note is no finding"""


def add_parser(commands: Any) -> None:
    parser = add_command(commands, "listen", "the ladder, live", _ABOUT, _EXAMPLE)
    parser.add_argument("site", nargs="?", metavar="SITE", help="site file")
    parser.add_argument(
        "--on",
        action="append",
        required=True,
        metavar="NIC",
        help='interface to listen on (may be repeated); "any" for all of them',
    )
    parser.add_argument("--for", dest="total", metavar="TIME", help="end after so long (60s, 5min)")
    parser.add_argument("--save", metavar="FILE", help="also keep what is heard, as pcapng")
    parser.add_argument("--force", action="store_true", help="--save may write over a file")
    parser.add_argument(
        "--here", metavar="MACHINE", help="the site's machine that this is (default: by its addresses)"
    )
    parser.add_argument(
        "--probe",
        action="append",
        default=[],
        metavar="RESULTS",
        help="results of toprung probe --into, as evidence where nothing heard tells (may be repeated)",
    )
    joining = parser.add_argument_group("joining")
    joining.add_argument(
        "--join",
        action="store_true",
        help="come as a participant for some seconds, so that everybody introduces itself again",
    )
    joining.add_argument("--yes", action="store_true", help="--join even if that exceeds a budget")
    joining.add_argument("--domain", type=int, metavar="N", help="of --join (default: the site's, or 0)")
    parser.add_argument(
        "--json-lines", action="store_true", help="print one JSON object (version 1) a second instead of text"
    )
    parser.set_defaults(run=run)


def run(words: argparse.Namespace) -> int:
    """Exit status 1 where something stops or hurts at the end."""
    from pathlib import Path

    from toprung.cli.inputs import check_here, read_probes, read_site
    from toprung.cli.joining import Guest
    from toprung.cli.output import check_free
    from toprung.cli.quantities import seconds
    from toprung.live.here import machine_here
    from toprung.live.listening import Listening, Wish

    site = None if words.site is None else read_site(words.site)
    check_here(words.here, site)
    total_s = float("inf") if words.total is None else seconds(words.total, "--for")
    if words.save and not words.force:
        check_free(words.save)
    here = words.here or (machine_here(site) if site is not None else None)
    interfaces = tuple(dict.fromkeys(words.on))
    guest = Guest(interfaces, site, words.domain) if words.join else None
    heard = interfaces if guest is None else guest.to_hear(interfaces)
    save = Path(words.save) if words.save else None
    wish = Wish(heard, site, here, save, read_probes(words.probe, site))
    show = _JsonLines() if words.json_lines else _Text(wish.here)
    if guest is not None:
        guest.ask(words.yes)
    with Listening(wish) as listening, _ending() as ended, guest or nullcontext():
        show.begin(listening)
        if guest is not None:
            guest.come(listening)
        for look in _looks(listening, time.monotonic() + total_s, ended):
            if guest is not None:
                guest.look()
            show.look(look)
        last = listening.end()
    if last.observed is None:
        raise _silence(last)
    show.end(last)
    return 1 if last.observed.has_findings else 0


@contextmanager
def _ending() -> Iterator[list[int]]:
    """A list that is filled by SIGINT or SIGTERM; a second one ends at once."""
    ended: list[int] = []

    def end(number: int, _: object) -> None:
        if ended:
            raise KeyboardInterrupt
        ended.append(number)

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield ended
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _looks(listening: Listening, end: float, ended: list[int]) -> Iterator[Look]:
    """A look a second, fewer where a look takes long."""
    due = time.monotonic() + LOOK_S
    while not ended and (now := time.monotonic()) < end:
        listening.hear(max(0.0, min(TURN_S, due - now, end - now)))
        if time.monotonic() >= due:
            begun = time.monotonic()
            yield listening.look()
            due = begun + max(LOOK_S, (time.monotonic() - begun) / SHARE)


def _silence(last: Look) -> Exception:
    from toprung.errors import LiveError

    return LiveError(
        f"no RTPS was heard in {last.seconds:.0f} s",
        ", ".join(last.interfaces),
        "an interface that carries DDS, while its participants run, would be right",
    )


class _Text:
    """For people."""

    def __init__(self, here: str | None) -> None:
        from toprung.cli.output import style_of
        from toprung.cli.screen import Screen

        self.here = here
        self.style = style_of(sys.stdout)
        self.screen = Screen(sys.stdout)
        self.drawn = False

    def begin(self, listening: Listening) -> None:
        where = f" at {self.here}" if self.here else ""
        self.screen.show([f"Listening on {', '.join(listening.wish.interfaces)}{where}."], [], changed=False)

    def look(self, look: Look) -> None:
        from toprung.pictures.live_text import block, news

        first = look.observed is not None and not self.drawn
        self.drawn = self.drawn or first
        self.screen.show(news(look), block(look, self.style), changed=first or bool(look.flows))

    def end(self, look: Look) -> None:
        from toprung.pictures.ladder_text import ladder_text
        from toprung.pictures.live_text import caution, news, status

        assert look.observed is not None
        self.screen.clear()
        self.screen.show(news(look), (), changed=False)
        over_all = status(look, look.packets / max(look.seconds, 1e-9))
        told = "\n".join([over_all, *caution(look)])
        sys.stdout.write(f"{told}\n\n{ladder_text(look.observed, self.style)}")


class _JsonLines:
    """For programs: the envelope of `toprung read --json`, and under "live" what only listening knows."""

    def begin(self, listening: Listening) -> None:
        pass

    def look(self, look: Look) -> None:
        import json

        from toprung.pictures.live_json import live_envelope

        if look.observed is not None:
            sys.stdout.write(json.dumps(live_envelope(look, look.observed)) + "\n")
            sys.stdout.flush()

    def end(self, look: Look) -> None:
        self.look(look)
