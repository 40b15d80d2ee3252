"""toprung draft: a site file from captures or from questions; its JSON Schema."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from toprung.cli.command import add_command

_ABOUT = """Writes a site file: from what captures show (--from), or from your answers to a few questions.
A file drafted from captures of a healthy robot, read with the same captures, has no findings; edit
in what you expect of it: rates, limits (within, loss), links, vehicles."""

_EXAMPLE = """examples:
  toprung draft --from base=base.pcap desk=desk.pcap -o site.yaml
  toprung draft -o site.yaml
  toprung draft --schema > site.schema.json"""

_DRAFTED = """# Drafted by toprung from what captures showed. Taken for granted, because it does not show:
# addresses have 24 bits of prefix (IPv6: 64), links are ethernet. Worth adding: what each flow
# needs (within, loss), the links' kind and rate, and who ought to be there and was not.
"""


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands, "draft", "writes a site file, from captures or from questions", _ABOUT, _EXAMPLE
    )
    how = parser.add_mutually_exclusive_group()
    how.add_argument(
        "--from", dest="captures", nargs="+", metavar="[MACHINE=]CAPTURE", help="captures to draft from"
    )
    how.add_argument("--schema", action="store_true", help="print the JSON Schema of site files")
    parser.add_argument("-o", "--output", metavar="FILE", help="write here instead of to standard output")
    parser.add_argument("--force", action="store_true", help="write over an existing FILE")
    parser.add_argument("--name", default=None, metavar="NAME", help="the site's name")
    parser.add_argument(
        "--json", action="store_true", help="print the drafted site as JSON (which is YAML, too)"
    )
    parser.set_defaults(run=run)


def run(words: argparse.Namespace) -> int:
    """Exit status 0: a file was drafted."""
    from toprung.cli.output import check_free, write_text

    if words.output and not words.force:
        check_free(words.output)
    if words.name is not None:
        _check_name(words.name)
    text = _text(words)
    if words.output:
        write_text(words.output, text)
        sys.stderr.write(f"wrote {words.output}\n")
    else:
        sys.stdout.write(text)
    return 0


def _check_name(name: str) -> None:
    import json

    from toprung.errors import UsageError
    from toprung.model.site_faults import SiteFaults
    from toprung.model.site_file import load_site

    try:
        load_site(json.dumps({"site": name}), "--name")
    except SiteFaults as error:
        first = error.faults[0]
        raise UsageError(first.says, "--name", f"would be right: {first.right}") from None


def _text(words: argparse.Namespace) -> str:
    if words.schema:
        import json

        from toprung.model.site_schema import json_schema

        return json.dumps(json_schema(), indent=2) + "\n"
    if words.captures:
        return _from_captures(words)
    from toprung.cli.questions import ask_site
    from toprung.model.site_text import site_text

    site = ask_site(sys.stdin, sys.stderr, words.name)
    return _as_json(site_text(site)) if words.json else site_text(site)


def _from_captures(words: argparse.Namespace) -> str:
    from toprung.cli.inputs import sort_words
    from toprung.cli.progress import Progress
    from toprung.errors import CaptureError
    from toprung.live.reading import picture_of
    from toprung.model.site_text import site_text
    from toprung.observe.drafting import draft

    captures = sort_words(words.captures, site_wanted=False).captures
    picture = picture_of(captures, track=Progress)
    site = draft(picture, words.name or "drafted")
    if not site.participants:
        where = ", ".join(c.path for c in captures)
        raise CaptureError("no DDS participant was seen", where, "a capture of RTPS traffic would be right")
    text = site_text(site)
    return _as_json(text) if words.json else _DRAFTED + text


def _as_json(text: str) -> str:
    import json

    import yaml

    return json.dumps(yaml.safe_load(text), indent=1, ensure_ascii=False) + "\n"
