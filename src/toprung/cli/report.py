"""toprung report: one self-contained document."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from toprung.cli.command import add_command

_ABOUT = """Writes one self-contained document of a site: its drawing, the ladder as forecast and as
captured, findings with their evidence and what to change, loads against budgets, loops with their
safe speed, what was assumed, and the SHA-256 of every input.

The ending of FILE decides: .html, or .pdf. The same inputs give the same bytes."""

_EXAMPLE = """examples:
  toprung report site.yaml -o plan.html
  toprung report site.yaml base=base.pcap desk=desk.pcap -o fernhouse.pdf
  toprung report robot.pcap -o seen.html

exit status: 0 no findings, 1 findings, 2 bad input or usage"""


def add_parser(commands: Any) -> None:
    parser = add_command(commands, "report", "one self-contained HTML or PDF", _ABOUT, _EXAMPLE)
    parser.add_argument(
        "inputs",
        nargs="+",
        metavar="[SITE] [MACHINE=]CAPTURE",
        help="site file and captures, told apart by content",
    )
    parser.add_argument("-o", "--output", required=True, metavar="FILE", help="where to: .html or .pdf")
    parser.add_argument("--json", action="store_true", help="print what was written as JSON")
    parser.set_defaults(run=run)


def run(words: argparse.Namespace) -> int:
    """Exit status 1 where something stops or hurts."""
    from toprung.cli.extras import needed
    from toprung.cli.inputs import check_machines, read_site, sort_words
    from toprung.cli.output import write_bytes
    from toprung.cli.progress import Progress
    from toprung.errors import UsageError
    from toprung.live.files import file_digest
    from toprung.live.reading import observe

    kind = words.output.rpartition(".")[2].lower()
    if kind not in ("html", "pdf"):
        raise UsageError(
            "its ending is neither .html nor .pdf", words.output, "for example: -o fernhouse.html"
        )
    inputs = sort_words(words.inputs, site_wanted=True, capture_wanted=False)
    with needed("report", "jinja2", "altair", "vl_convert", *(["weasyprint"] if kind == "pdf" else [])):
        from toprung.report.document import Matter, document

        if kind == "pdf":
            from toprung.report.pdf import pdf
    site = None if inputs.site is None else read_site(inputs.site)
    if site is not None:
        check_machines(inputs.captures, site)
    forecast = None
    if site is not None:
        from toprung.forecast.forecast import forecast as forecast_of

        forecast = forecast_of(site)
    observed = observe(site, inputs.captures, Progress) if inputs.captures else None
    paths = [*([inputs.site] if inputs.site else []), *(capture.path for capture in inputs.captures)]
    matter = Matter(forecast, observed, tuple((path, file_digest(path)) for path in paths))
    text = document(matter)
    content = pdf(text) if kind == "pdf" else text.encode()
    write_bytes(words.output, content)
    found = any(outcome.has_findings for outcome in matter.outcomes.values())
    sys.stdout.write(_said(words, len(content)))
    return 1 if found else 0


def _said(words: argparse.Namespace, size: int) -> str:
    if not words.json:
        return f"{words.output}: {size / 1e3:,.0f} kB\n"
    import json

    return json.dumps({"toprung": 1, "written": words.output, "bytes": size}) + "\n"
