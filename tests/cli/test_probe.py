"""The probe's command without a network: words that do not fit, keys, what it prints."""

from __future__ import annotations

import io
import json
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.cli.conftest import EXAMPLE
from tests.diagnose.made_probes import BLOCKED, results
from toprung.cli.main import main
from toprung.diagnose import diagnose
from toprung.diagnose.probe_faults import path_faults
from toprung.model.picture import NOTHING
from toprung.model.probe_file import ProbeFileError, probe_results, results_text
from toprung.model.site_file import load_site
from toprung.pictures.probe_text import probe_text

SITE = load_site((EXAMPLE / "site.yaml").read_bytes(), "site.yaml")
KEY = "7KQ2M-9XH4T-ABCDE-12345"


@pytest.fixture(autouse=True)
def no_terminal(monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    monkeypatch.delenv("TOPRUNG_PROBE_KEY", raising=False)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("127.0.0.1",), "the key that the server printed is needed"),
        (("127.0.0.1", "--domain", "233"), "0 to 232 would be right"),
        (("127.0.0.1:http",), "would be right: 10.77.1.2"),
        (("127.0.0.1", "--key-file", "/none"), "/none: no such file or directory"),
        (("serve", "--for", "10"), 'would be right: --for "10 s"'),
        (("serve", "--on", "nic9"), "no such interface"),
    ],
)
def test_what_does_not_fit_gets_one_line(toprung, words, says):
    status, out, err = toprung("probe", *words)
    assert (status, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("nowhere.invalid",), "no such host"),
        (("127.0.0.1", "--packets", "5"), "10 to 1000000 would be right"),
        (("127.0.0.1", "--rate", "fast"), "--rate"),
    ],
)
def test_with_a_key_the_rest_is_looked_at(toprung, monkeypatch, words, says):
    monkeypatch.setenv("TOPRUNG_PROBE_KEY", KEY)
    status, _, err = toprung("probe", *words)
    assert status == 2
    assert says in err


def test_a_key_that_is_none_is_refused_without_printing_it(toprung, monkeypatch):
    monkeypatch.setenv("TOPRUNG_PROBE_KEY", "sesame")
    status, _, err = toprung("probe", "127.0.0.1")
    assert status == 2
    assert "TOPRUNG_PROBE_KEY: a key has at least 16" in err
    assert "sesame" not in err


def test_a_site_without_the_machine_is_refused(toprung, monkeypatch, site_path):
    monkeypatch.setenv("TOPRUNG_PROBE_KEY", KEY)
    status, _, err = toprung("probe", "127.0.0.1", "--as", site_path)
    assert status == 2
    assert "no machine of the site has the address 127.0.0.1" in err


def test_help_has_an_example_and_fits(capsys):
    with pytest.raises(SystemExit):
        main(["probe", "--help"])
    shown = capsys.readouterr().out
    assert "toprung probe serve --domain 7" in shown
    assert max(map(len, shown.splitlines())) <= 100


# results


@pytest.mark.parametrize("made", [results(), results(BLOCKED, {}), results({"train": None}, answered=False)])
def test_results_come_back_from_their_file_and_fit_into_the_text(made):
    assert probe_results(results_text(made), made.label) == made
    shown = probe_text(made, path_faults(made, "brain", "base"), "brain", "base")
    assert max(map(len, shown.splitlines())) <= 100
    assert "brain (10.77.1.1) <-> base (10.77.1.2)" in shown


def test_results_say_what_is_blocked():
    made = results(BLOCKED, {})
    shown = probe_text(made, path_faults(made, "brain", "base"), "brain", "base")
    assert "9150: blocked, 0/5" in shown
    assert "stops: one-way, brain -> base" in shown


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda text: text[:50], "it is no JSON"),
        (lambda text: "[]", "no results of a probe"),
        (lambda text: text.replace('"toprung": 1', '"toprung": 2'), "no results of a probe"),
        (lambda text: text.replace('"domain": 7', '"domain": "7"'), "domain is no int"),
        (lambda text: text.replace('"sent": 5', '"sent": null', 1), "sent is no int"),
        (lambda text: text.replace('"seconds": 8.0,', ""), "seconds"),
        (lambda text: text.replace('"10.77.1.1"', "", 1), "a machine without an address"),
    ],
)
def test_a_file_that_is_none_says_why(toprung, site_path, tmp_path, change, says):
    path = tmp_path / "r.json"
    path.write_text(change(results_text(results())))
    status, _, err = toprung("read", site_path, "--probe", str(path))
    assert status == 2
    assert says in err
    assert "would be right" in err


def test_read_takes_probes_with_and_without_captures(toprung, site_path, captures, tmp_path):
    path = tmp_path / "brain-base.json"
    path.write_text(results_text(results(BLOCKED, {})))
    status, out, _ = toprung("read", site_path, "--probe", str(path))
    assert status == 1
    assert "one-way" in out
    assert "brain-base.json:" in out
    status, out, _ = toprung("read", site_path, *captures, "--probe", str(path))
    assert status == 1
    assert "A probe did not get through, and the captures show that it does." in " ".join(out.split())


def test_read_refuses_a_probe_of_other_machines(toprung, site_path, tmp_path):
    path = tmp_path / "other.json"
    path.write_text(results_text(results(near="10.99.0.1")))
    status, _, err = toprung("read", site_path, "--probe", str(path))
    assert status == 2
    assert "no machine of the site has an address of brain" in err


junk = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(),
    st.text(max_size=5),
    st.just([]),
    st.just({}),
)


def places(tree, here=()):
    """Every place in nested lists and objects."""
    yield here
    pairs = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, below in list(pairs):
        yield from places(below, (*here, key))


@given(st.data())
@settings(max_examples=300, deadline=None)
def test_any_file_is_results_or_refused(data):
    """What is read as results can be judged and printed, whatever its numbers."""
    tree = json.loads(results_text(results(BLOCKED, {})))
    for _ in range(data.draw(st.integers(1, 3))):
        *way, last = data.draw(st.sampled_from(list(places(tree))[1:]))
        holder = tree
        for step in way:
            holder = holder[step]
        holder[last] = data.draw(junk)
    try:
        made = probe_results(json.dumps(tree), "r.json")
    except ProbeFileError:
        return
    diagnose(SITE, NOTHING, probes=(made,))
    shown = probe_text(made, path_faults(made, "brain", "base"), "brain", "base")
    assert max(map(len, shown.splitlines())) <= 100
