"""Forecasts as text and JSON, side by side with what was seen, on figures made by hand."""

import json
from dataclasses import replace

import pytest

from toprung.errors import UsageError
from toprung.forecast.motion import CAUTION
from toprung.forecast.result import Forecast, Term
from toprung.model.figures import (
    Discovery,
    FlowFigures,
    LinkFigures,
    LoopFigures,
    MachineFigures,
    PowerFigures,
)
from toprung.model.finding import Evidence, Finding, Severity
from toprung.model.ladder import RUNGS, Climb, Flow, Ladder, Rung, State
from toprung.model.site_file import load_site
from toprung.pictures.comparison import changes, compare
from toprung.pictures.comparison_text import against_text, compare_text, comparison_json
from toprung.pictures.envelope import envelope
from toprung.pictures.forecast_text import forecast_text
from toprung.pictures.text import WIDTH, Style, table
from toprung.pictures.told import read_told, told_of

SITE = load_site("""
site: nursery
machines: {base: {interfaces: {eth0: 10.0.0.1/24}}, brain: {interfaces: {eth0: 10.0.0.2/24}}}
links: {cable: {kind: ethernet, joins: [base.eth0, brain.eth0]}}
participants: {driver: {machine: base}, pilot: {machine: brain}}
topics:
  odom: {from: driver, to: pilot, within: 40 ms}
  drive: {from: pilot, to: driver}
loops: {avoid: {through: [odom, drive], sense: {topic: odom, range: 6 m}, vehicle: cart}}
vehicles: {cart: {top_speed: 0.45 m/s}}
power: {cart: {capacity: 60 Wh}}
""")
ODOM, DRIVE = Flow("odom", "driver", "pilot"), Flow("drive", "pilot", "driver")
WHOLE = (State.HELD,) * len(RUNGS)
RUSH = Discovery(15.0, 310.0, 120.0, 61_200.0, 20_100.0, 2.1, 410.0, 180.0)


def made(**other):
    parts = {
        "site": SITE,
        "ladder": Ladder((Climb(ODOM, WHOLE), Climb(DRIVE, WHOLE))),
        "findings": (),
        "machines": {
            "base": MachineFigures(19, 61, RUSH, 0.4, 1.9, 1.58, "participants"),
            "brain": MachineFigures(),
        },
        "links": {"cable": LinkFigures(412_000.0, None, 0.36, 0.01, 0.0021)},
        "flows": {ODOM: FlowFigures(50.0, 0.01, 0.004, 0.019, 0.5), DRIVE: FlowFigures()},
        "loops": {"avoid": LoopFigures(0.29, 0.17, 0.31, 1.1, 0.42, 0.35)},
        "power": {"cart": PowerFigures(28.0, 6171.0, 5760.0, 0.48, 1.6, 200.0, False)},
        "terms": {"avoid": (Term("wait for odom", 0.01, 0.02), Term("odom to pilot", 0.004, 0.019))},
        "assumptions": ("802.11ac is taken.",),
        "unseen": ("power.cart.dock_power",),
    }
    return Forecast(**(parts | other))


def test_every_part_is_told():
    text = forecast_text(made())
    assert max(map(len, text.splitlines())) <= WIDTH
    assert text.startswith("nursery, domain 0, as forecast: 2 machines, 1 link, 2 participants, 2 flows\n")
    base = next(line for line in text.splitlines() if line.startswith("  base"))
    assert " ".join(base.split()) == "base 19 61 310 61.2 kB 180/s 2.1/s 400 ms 158% (participants)"
    cable = next(line for line in text.splitlines() if line.startswith("  cable"))
    assert " ".join(cable.split()) == "cable (ethernet) 412 kB/s 36 % 64 % 1 % 2.1 ms"
    odom = next(line for line in text.splitlines() if line.startswith("  odom driver"))
    assert " ".join(odom.split()) == "odom driver -> pilot 4 ms 19 ms 40 ms 1 %"
    assert "reacts within 310 ms; the newest command rests on data up to 290 ms old" in text
    assert "up to 1.10 m/s (top speed 0.45 m/s)" in text
    assert "does not come home" in text
    assert "802.11ac is taken." in text
    assert "power.cart.dock_power" in text
    assert text.endswith("2 of 2 flows on their top rung.\n")


def test_what_is_not_known_is_left_out():
    bare = made(machines={}, links={}, flows={}, loops={}, power={}, terms={}, assumptions=(), unseen=())
    lines = forecast_text(bare).splitlines()
    assert [line.split("  ")[0] for line in lines if line] == [
        "nursery, domain 0, as forecast: 2 machines, 1 link, 2 participants, 2 flows",
        "",
        "odom",
        "drive",
        "2 of 2 flows on their top rung.",
    ]


def test_speeds_never_come_without_their_caution():
    caution = CAUTION.split()
    assert " ".join(caution) in " ".join(forecast_text(made()).split())
    still = made(loops={"avoid": LoopFigures(0.29, 0.17, 0.31)})
    assert " ".join(caution[:8]) not in " ".join(forecast_text(still).split())


def test_steps_of_a_loop_follow_each_other():
    lines = forecast_text(made()).splitlines()
    first, second = (next(x for x in lines if x.startswith(f"  {says}")) for says in ("wait", "odom to"))
    assert first.index("░") < second.index("█")
    assert second.index("█") > first.rindex("░")
    plain = forecast_text(made(), Style(wide=False))
    assert plain.isascii()
    assert "##" in plain


def test_a_table_gives_way_where_a_name_is_long():
    lines = list(table(("Flows", "forecast", "seen"), [("a name " * 20, "1 ms", "2 ms"), ("b", "3 ms", "")]))
    assert max(map(len, lines)) <= WIDTH
    assert lines[-1].split() == ["b", "3", "ms"]
    assert list(table(("Flows", "x"), [])) == []
    many = list(table(("Flows", "x"), [(str(n), "1") for n in range(30)], most=5))
    assert many[-1] == "  and 25 more"


def finding(subject, evidence=()):
    return Finding(
        "late", Rung.TIMELY, Severity.HURTS, subject, "Too old.", "Acts late.", evidence, ("Faster.",)
    )


def test_copies_with_the_same_fault_are_told_once():
    text = forecast_text(made(findings=(finding("odom1"), finding("odom2"), finding("other"))))
    assert text.count("Too old.") == 2
    assert "   alike    odom2" in text


def test_evidence_is_never_folded():
    packets = tuple((Evidence("base.pcap", n, 1.0, "late"),) for n in (1, 2))
    text = forecast_text(made(findings=(finding("odom1", packets[0]), finding("odom2", packets[1]))))
    assert text.count("Too old.") == 2
    assert "packet 2" in text


def test_flows_that_differ_in_numbers_are_one_line_if_they_came_to_the_same():
    climbs = (Climb(Flow(f"cart{n}/odom", f"driver{n}", f"pilot{n}"), WHOLE) for n in range(1, 7))
    text = forecast_text(made(ladder=Ladder((*climbs, Climb(DRIVE, WHOLE)))))
    (line,) = (x for x in text.splitlines() if x.startswith("cart1/odom"))
    assert "driver1 → pilot1 \N{MULTIPLICATION SIGN}6" in line
    assert "cart2/odom" not in text
    assert text.endswith("7 of 7 flows on their top rung.\n")


def test_json_comes_back():
    told = read_told(json.loads(json.dumps(envelope(made()))), "seen.json")
    assert told == told_of(made())


def test_every_part_has_its_keys_in_json():
    data = envelope(made())
    assert (data["kind"], data["site"]) == ("forecast", "nursery")
    assert data["flows"][0]["samples"] == {
        "rate_hz": 50.0,
        "loss": 0.01,
        "age_typical_s": 0.004,
        "age_worst_s": 0.019,
    }
    assert data["machines"]["base"]["discovery"]["peak_datagrams_in_per_s"] == 180.0
    assert data["machines"]["brain"]["discovery"]["datagrams_in"] is None
    assert data["loops"]["avoid"]["safe_speed_m_per_s"] == 1.1
    assert data["power"]["cart"]["home_covered"] is False
    assert data["assumptions"] == ["802.11ac is taken."]


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda d: [], "no JSON of a forecast or reading"),
        (lambda d: d | {"toprung": 2}, "no JSON of a forecast or reading"),
        (lambda d: {k: v for k, v in d.items() if k != "flows"}, "'flows'"),
        (lambda d: d | {"links": {"cable": {"busy": "much"}}}, "'much' is no number"),
        (lambda d: d | {"flows": [{"topic": "t", "from": "a", "to": "b", "rungs": {}}]}, "'path'"),
        (lambda d: d | {"machines": {"base": 3}}, "an entry is not as version 1 has it"),
    ],
)
def test_what_is_no_outcome_is_one_clear_error(spoil, says):
    with pytest.raises(UsageError) as refused:
        read_told(spoil(envelope(made())), "seen.json")
    assert str(refused.value).startswith("seen.json: ")
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_comparison_has_what_both_tell():
    seen = made(links={"cable": LinkFigures(bytes_per_s=206_000.0, loss=0.0)}, flows={})
    rows = compare(made().figures, seen.figures)
    links = {row.quantity.key: row for row in rows if row.part == "link"}
    assert links["bytes_per_s"].ratio == pytest.approx(0.5)
    assert links["bytes_per_s"].words == ("412 kB/s", "206 kB/s", "0.50")
    assert links["loss"].words == ("1 %", "0 %", "0.00")
    assert "delay_s" not in links
    assert not [row for row in rows if row.part == "flow"]


def test_a_ratio_needs_something_to_stand_on():
    nothing = made(links={"cable": LinkFigures(loss=0.0)}).figures
    row = next(r for r in compare(nothing, made().figures) if r.quantity.key == "loss")
    assert (row.ratio, row.words) == (None, ("0 %", "1 %", ""))


def test_changes_are_what_reads_differently():
    other = made(links={"cable": LinkFigures(412_000.4, None, 0.5, 0.01, 0.0021)})
    assert [(r.name, r.quantity.key) for r in changes(made().figures, other.figures)] == [("cable", "busy")]


BROKEN = Climb(ODOM, (State.HELD, State.BROKEN, *[State.UNREACHED] * 4), "discovery-mode")


def test_against_names_flows_that_came_out_otherwise():
    seen = told_of(made(ladder=Ladder((BROKEN, Climb(DRIVE, (*WHOLE[:5], State.UNSEEN))))))
    text = against_text(told_of(made()), replace(seen, kind="observed"))
    assert "heard: discovery-mode" in text
    assert "1 flow came out as forecast, 1 otherwise." in text
    assert max(map(len, text.splitlines())) <= WIDTH
    data = comparison_json(told_of(made()), seen)
    assert data["flows"] == [
        {
            "topic": "odom",
            "from": "driver",
            "to": "pilot",
            "broken_at": [None, "heard"],
            "cause": [None, "discovery-mode"],
        }
    ]


def test_two_sites_side_by_side():
    other = made(
        ladder=Ladder((BROKEN,)), machines={"base": MachineFigures(7, 61, RUSH, 0.4, 1.9, 0.58, "messages")}
    )
    text = compare_text(made(), other, ("one.yaml", "other.yaml"))
    assert "no such flow" in text
    known = next(line for line in text.splitlines() if "participants known" in line)
    assert known.split()[-3:] == ["19", "7", "0.37"]
    assert "one.yaml: 2 of 2 flows on their top rung." in text
    assert "other.yaml: 0 of 1 flows on their top rung, 1 broken." in text
