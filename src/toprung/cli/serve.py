"""toprung serve: the page."""

from __future__ import annotations

import argparse
import sys
from contextlib import closing, suppress
from typing import TYPE_CHECKING, Any

from toprung.cli.command import add_command

if TYPE_CHECKING:
    import socket

    from toprung.cli.inputs import Inputs
    from toprung.web.bench import Bench

PORT = 8743

_ABOUT = """Opens one local page: the site drawn with its load, every flow's ladder as forecast and as
captured, charts, loops, what-ifs, captures dropped on it, and the report to print.

It listens on this machine alone. With --host it can be reached from others, and then only with the
token in the address that it prints; the connection is not encrypted, so use it on networks that you
trust."""

_EXAMPLE = """examples:
  toprung serve site.yaml base=base.pcap desk=desk.pcap
  toprung serve                         (an empty page: write a site there, or drop a capture)
  toprung serve site.yaml --host 10.77.2.40

exit status: 0 when it is ended (Ctrl-C), 2 bad input or usage"""


def add_parser(commands: Any) -> None:
    parser = add_command(commands, "serve", "the page: site, ladder, load, loops, what-ifs", _ABOUT, _EXAMPLE)
    parser.add_argument(
        "inputs", nargs="*", metavar="[SITE] [MACHINE=]CAPTURE", help="what the page begins with"
    )
    parser.add_argument(
        "--port", type=int, default=PORT, help=f"TCP port, 0 for any free one (default {PORT})"
    )
    parser.add_argument(
        "--host", default="127.0.0.1", metavar="ADDRESS", help="default 127.0.0.1: this machine alone"
    )
    parser.add_argument("--json", action="store_true", help="print the page's address as JSON")
    parser.set_defaults(run=run)


def run(words: argparse.Namespace) -> int:
    """Serves until it is interrupted."""
    from toprung.cli.extras import needed
    from toprung.cli.inputs import sort_words
    from toprung.live.leftovers import PAGE, temporary_folder

    inputs = sort_words(words.inputs, site_wanted=True, capture_wanted=False)
    with needed("page", "fastapi", "uvicorn", "jinja2", "altair", "vl_convert"):
        from toprung.web.bench import Bench

    with temporary_folder(PAGE) as folder, closing(Bench(folder)) as bench:
        _put(bench, inputs)
        return _serve(bench, words)


def _put(bench: Bench, inputs: Inputs) -> None:
    """Everything that was named, on the bench."""
    from pathlib import Path

    from toprung.cli.inputs import check_captures, check_machines, site_source

    if inputs.site is not None:
        text = site_source(inputs.site).decode("utf-8", "replace")
        site = bench.put_site(text, Path(inputs.site).name)
        check_machines(inputs.captures, site)
    check_captures(inputs.captures)
    for capture in inputs.captures:
        bench.put_capture(Path(capture.path).name, Path(capture.path), capture.machine, ours=False)
    bench.read_again()


def _serve(bench: Bench, words: argparse.Namespace) -> int:
    import json

    from toprung.web.guard import guard_of
    from toprung.web.serving import PageServer

    guard = guard_of(words.host)
    listening = _listening(words.host, words.port)
    host = f"[{words.host}]" if ":" in words.host else words.host
    token = f"?token={guard.token}" if guard.token else ""
    address = f"http://{host}:{listening.getsockname()[1]}/{token}"
    said = json.dumps({"toprung": 1, "address": address}) if words.json else f"The page is at {address}"
    sys.stdout.write(said + "\n" + ("" if words.json else "Ctrl-C ends it.\n"))
    sys.stdout.flush()
    with listening, suppress(KeyboardInterrupt):
        PageServer(bench, guard).serve_on(listening)
    return 0


def _listening(host: str, port: int) -> socket.socket:
    """A bound socket.  Raises UsageError where it cannot be had."""
    import socket

    from toprung.errors import UsageError

    listening = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen()  # from here on nobody is refused, only kept waiting
    except (OSError, OverflowError) as error:
        listening.close()
        raise UsageError(
            f"the page cannot listen there ({error})", f"{host}:{port}", "another --port may be free"
        ) from None
    return listening
