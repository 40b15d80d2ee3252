"""Site files with faults: each is told with its line and what would be right, all of them at once."""

import pickle

import pytest

from tests.model.test_site_file import FERNHOUSE
from toprung.errors import SiteError
from toprung.model.site_file import load_site


def faults(text):
    with pytest.raises(SiteError) as refused:
        load_site(text)
    return str(refused.value).splitlines()


def only_fault(text):
    lines = faults(text)
    assert len(lines) == 1, lines
    return lines[0]


# what is changed in FERNHOUSE, and the fault: where, what, what would be right
ONE_FAULT = (
    ("rate: 50 Hz", "rate: 50", "topics.cart1/odom.rate", "50 has no unit; a rate is needed here", '"50 Hz"'),
    ("from: driver\n    to", "form: driver\n    to", "topics.cart1/odom.form", "unknown key", "from"),
    (
        "to: [pilot, panel]",
        "to: [pilot, panle]",
        "topics.cart1/odom.to[1]",
        'there is no participant "panle"',
        "panel",
    ),
    (
        "{machine: base,",
        "{machine: bass,",
        "participants.driver.machine",
        'there is no machine "bass"',
        "base",
    ),
    (
        "joins: [base.usb0",
        "joins: [base.usb1",
        "links.cable.joins[0]",
        'base has no interface "usb1"',
        "base.usb0",
    ),
    ("joins: [base.usb0", "joins: [base", "links.cable.joins[0]", '"base" names no interface', "base.usb0"),
    (
        "through: [cart1/scan",
        "through: [cart1/scam",
        "loops.avoid.through[0]",
        'there is no topic "cart1/scam"',
        "cart1/scan",
    ),
    ("vehicle: cart", "vehicle: carts", "loops.avoid.vehicle", 'there is no vehicle "carts"', "cart"),
    (
        "[usb0, wlan0]",
        "[usb0, wlan1]",
        "participants.pilot.interfaces[1]",
        'brain has no interface "wlan1"',
        "wlan0",
    ),
    ("domain: 7", "domain: 233", "domain", '"233" is out of bounds', "at most 232"),
    ("domain: 7", 'domain: "7"', "domain", 'a whole number must stand here, not "7"', "a number like 7"),
    (
        "role: base",
        "role: bases",
        "machines.base.role",
        '"bases" is none of base, companion, station, sensor, other',
        "base",
    ),
    (
        "exclusive: true",
        "exclusive: yes",
        "topics.cart1/drive.exclusive",
        'YAML reads the word "yes" as a boolean',
        'true, or "yes" in quotes',
    ),
    (
        "access_point: true",
        "access_point: 1",
        "links.air.access_point",
        'true or false must stand here, not "1"',
        "true or false",
    ),
    (
        "best_effort}",
        "best-effort}",
        "topics.cart1/odom.qos.reliability",
        '"best-effort" is none of best_effort, reliable',
        "best_effort",
    ),
    (
        "10.77.2.40/24",
        "10.77.2.21/24",
        "machines.desk.interfaces.wlan0",
        "10.77.2.21 is the address of brain.wlan0 already",
        "an address of its own (in a fleet: with {n} in it, like 10.77.{n}.2/24)",
    ),
    (
        "10.77.2.40/24",
        "10.77.2.40",
        "machines.desk.interfaces.wlan0",
        '"10.77.2.40" is not an address with its prefix length',
        "10.77.1.2/24",
    ),
    (
        "{peers: [10.77.2.21]}",
        "{peers: [brain]}",
        "participants.panel.discovery.peers[0]",
        '"brain" is not an IP address',
        "10.77.2.21",
    ),
    (
        "10.77.2.21:11811",
        "10.77.2.21",
        "participants.lantern.discovery.server",
        '"10.77.2.21" is not address:port',
        "10.77.2.21:11811",
    ),
    (
        "discovery: multicast",
        "discovery: {}",
        "participants.pilot.discovery",
        "one way of discovery is needed",
        "multicast, {peers: [10.77.2.21]} or {server: 10.77.2.21:11811}",
    ),
    (
        "of: [base, brain]",
        "of: [base, brian]",
        "fleets.cart.of[0][1]",
        'there is no machine "brian"',
        "brain",
    ),
    (
        "  cart1/dock: {",
        "  cart1/dock: {size: 4 B, ",
        "services.cart1/dock.size",
        "unknown key",
        "from, qos, rate, to, type, within",
    ),
)


@pytest.mark.parametrize(("before", "after", "place", "says", "right"), ONE_FAULT, ids=range(len(ONE_FAULT)))
def test_a_fault_is_told_with_its_line_and_what_would_be_right(before, after, place, says, right):
    text = FERNHOUSE.replace(before, after, 1)
    changed = zip(text.splitlines(), FERNHOUSE.splitlines(), strict=True)
    line = next(n for n, (now, then) in enumerate(changed, 1) if now != then)
    assert f"site.yaml:{line}: {place}: {says}; would be right: {right}" in faults(text)


def test_all_faults_are_reported_at_once_first_line_first():
    text = FERNHOUSE
    for right, wrong in (
        ("rate: 50 Hz", "rate: 50"),
        ("role: station", "role: stat"),
        ("vehicle: cart", "vehicle: van"),
        ("joins: [base", "joins: [bare"),
    ):
        text = text.replace(right, wrong, 1)
    lines = faults(text)
    assert [line.split(": ")[1].rsplit(".", 1)[0] for line in lines] == [
        "machines.desk",
        "links.cable",
        "topics.cart1/odom",
        "loops.avoid",
    ]
    numbers = [int(line.split(":")[1]) for line in lines]
    assert numbers == sorted(numbers)


def test_a_key_twice_is_refused():
    line = only_fault("site: s\nmachines:\n  a: {}\n  b: {}\n  a: {}\n")
    assert (
        line == 'site.yaml:5: machines.a: "a" stands twice (first in line 3); would be right: one of the two'
    )


@pytest.mark.parametrize("word", ["on", "Off", "YES", "no", "True"])
def test_words_that_yaml_reads_as_booleans_are_refused_unless_quoted(word):
    machines = f"site: s\nmachines:\n  {word}: {{}}\n"
    assert f'YAML reads the key "{word}" as a boolean; would be right: "{word}" in quotes' in only_fault(
        machines
    )
    assert load_site(machines.replace(word, f'"{word}"')).machines[0].name == word
    assert f'YAML reads the word "{word}" as a boolean' in faults(f"site: {word}\n")[0]
    assert load_site(f'site: "{word}"\n').name == word


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "site.yaml:1: this is no site file; would be right: a first line like `site: fernhouse`"),
        ("just words", "site.yaml:1: this is no site file"),
        ("- a\n- b\n", "site.yaml:1: this is no site file"),
        ("domain: 3\n", 'site.yaml:1: "site" is missing; would be right: `site: ...`'),
        ("site: a: b\n", "site.yaml:1: not YAML: mapping values are not allowed in this context"),
        ("site: [a\nb: c\n", "site.yaml:2: not YAML: did not find expected ',' or ']'"),
        ("site: s\n\tdomain: 3\n", "site.yaml:2: not YAML: found a tab character that violates indentation"),
        ("site: s\nmachines: {a: [base{n}]}\n", 'would be right: names with {n} in quotes, like "base{n}"'),
        (
            "site: s\n---\nsite: t\n",
            "site.yaml:2: a second document begins; would be right: one site in one file",
        ),
        ("site: &a s\n", "site.yaml:1: anchors and aliases are not read here"),
        (
            "site: !!python/object:os.system s\n",
            "site.yaml:1: the tag tag:yaml.org,2002:python/object:os.syst",
        ),
        ("? [a, b]\n: c\n", "site.yaml:1: a name is needed before the colon"),
        (
            "site: s\n" + "a: " + "[" * 500,
            "site.yaml:2: nested too deeply; would be right: at most 20 levels",
        ),
        ("site: " + "x" * 5_000_000, "site.yaml: 5000006 bytes are too long"),
        ("site: " + "[a," * 3 + "a," * 210_000 + "]]]", "site.yaml:1: too many entries"),
        (b"site: \xff\xfe\n", "site.yaml: byte 6 is not UTF-8; would be right: a text file in UTF-8"),
        ("site: a\x00b\n", "control characters are not allowed"),
        ("site: \ud800\n", "is not UTF-8"),
        ("machines: 7\n", "names with their entries must stand here"),
    ],
    ids=range(19),
)
def test_what_is_no_site_file_gets_a_clear_line(text, says):
    lines = faults(text)
    assert any(says in line for line in lines), lines


def test_a_yaml_bomb_is_refused_at_its_first_anchor():
    bomb = "a: &a [x, x]\n" + "".join(
        f"{c}: &{c} [*{p}, *{p}]\n" for p, c in zip("abcdefgh", "bcdefghi", strict=True)
    )
    assert only_fault(bomb).startswith("site.yaml:1: anchors and aliases are not read here")


def test_a_byte_order_mark_is_no_fault():
    assert load_site(b"\xef\xbb\xbfsite: s\n").name == "s"


def test_many_faults_are_cut_and_counted():
    text = "site: s\nmachines:\n" + "".join(f"  m{n}: {{roll: 1}}\n" for n in range(80))
    lines = faults(text)
    assert len(lines) == 51
    assert lines[-1] == "site.yaml: … and 30 more faults"


def test_faults_survive_pickling():
    with pytest.raises(SiteError) as refused:
        load_site("domain: x\n")
    again = pickle.loads(pickle.dumps(refused.value))
    assert str(again) == str(refused.value)
    assert (again.what, again.where, again.exit_status) == (refused.value.what, "site.yaml", 2)
