"""A site from answers on a terminal.  Every answer is checked at once by the reader of site files."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TextIO

from toprung.errors import UsageError
from toprung.model.site import Site
from toprung.model.site_faults import SiteFaults
from toprung.model.site_file import load_site
from toprung.observe.drafting import links_by_subnet

Data = dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Question:
    """A section of the file, asked for line by line until an empty line."""

    section: str
    asks: str
    example: str
    fewest: int  # words
    entry: Callable[[list[str]], Data]


def _machine(words: list[str]) -> Data:
    return {"interfaces": {f"if{n}": address for n, address in enumerate(words)}}


def _topic(words: list[str]) -> Data:
    writers, readers, *rate = words
    ends: Data = {"from": writers.split(","), "to": readers.split(",")}
    return ends | ({"rate": " ".join(rate)} if rate else {})


_QUESTIONS = (
    _Question(
        "machines",
        "Machines: name, then addresses with their prefix lengths",
        "base 10.77.1.2/24",
        1,
        _machine,
    ),
    _Question(
        "participants",
        "Participants (programs that talk DDS): name, then the machine each runs on",
        "driver base",
        2,
        lambda words: {"machine": " ".join(words)},
    ),
    _Question(
        "topics",
        "Topics: name, who writes, who reads (several with commas), then the rate if you know it",
        "cart1/odom driver pilot,panel 50 Hz",
        3,
        _topic,
    ),
)


def ask_site(answers: TextIO, prompts: TextIO, name: str | None = None) -> Site:
    """The answered site; links are the subnets that machines share."""
    asker = _Asker(answers, prompts)
    data: Data = {}
    if name is None:
        asker.value(data, "site", "Name of the site", "fernhouse")
    else:
        data["site"] = name
    asker.value(data, "domain", "DDS domain", 0)
    for question in _QUESTIONS:
        asker.section(data, question)
    site = load_site(json.dumps(data), "answers")
    return replace(site, links=links_by_subnet(site.machines))


class _Asker:
    def __init__(self, answers: TextIO, prompts: TextIO) -> None:
        self.answers = answers
        self.prompts = prompts

    def value(self, data: Data, key: str, asks: str, default: str | int) -> None:
        """One value; an empty answer takes the default."""
        while True:
            answer = self._line(f"{asks} [{default}]: ")
            if answer is None:
                raise UsageError(
                    "the answers end before the site is described", "draft", "answer on a terminal"
                )
            data[key] = type(default)(answer) if answer and _is(answer, type(default)) else answer or default
            if self._accepted({"site": "s"} | data):
                return

    def section(self, data: Data, question: _Question) -> None:
        """Lines until an empty one."""
        self.prompts.write(
            f"{question.asks}.\nOne a line, for example: {question.example}\nAn empty line ends.\n"
        )
        entries: Data = data.setdefault(question.section, {})
        while answer := self._line("  > "):
            name, *words = answer.split()
            if len(words) + 1 < question.fewest:
                self.prompts.write(f"  not taken: too few words; would be right: {question.example}\n")
            elif name in entries:
                self.prompts.write(f'  not taken: "{name}" is there already\n')
            elif self._accepted(data | {question.section: {**entries, name: question.entry(words)}}):
                entries[name] = question.entry(words)

    def _line(self, prompt: str) -> str | None:
        """An answer without its blanks; None at the end of all answers."""
        self.prompts.write(prompt)
        self.prompts.flush()
        line = self.answers.readline()
        return line.strip() if line else None

    def _accepted(self, data: Data) -> bool:
        try:
            load_site(json.dumps(data), "answer")
        except SiteFaults as error:
            for fault in error.faults:
                self.prompts.write(f"  not taken: {fault}\n")
            return False
        return True


def _is(answer: str, kind: type) -> bool:
    return kind is not int or answer.isdecimal()
