"""The ladder as text and as SVG, on ladders made by hand."""

from xml.etree import ElementTree

import pytest

from toprung.diagnose.observed import Observed
from toprung.model.finding import Evidence, Finding, Severity
from toprung.model.ladder import RUNGS, Climb, Flow, Ladder, Rung, State
from toprung.model.picture import Picture, View
from toprung.model.site import Site
from toprung.observe.cast import Cast
from toprung.pictures.envelope import envelope
from toprung.pictures.ladder_svg import ladder_svg
from toprung.pictures.ladder_text import ladder_text
from toprung.pictures.text import WIDTH, Style

HELD, BROKEN, UNSEEN, UNREACHED = State.HELD, State.BROKEN, State.UNSEEN, State.UNREACHED
SVG = "{http://www.w3.org/2000/svg}"


def climb(topic="cart1/odom", height=6, cause=None, writer="driver", reader="pilot", findings=()):
    """A flow that holds `height` rungs; the next one is broken where there is a cause, else unseen."""
    above = [BROKEN, *[UNREACHED] * 5] if cause else [UNSEEN] * 6
    return Climb(Flow(topic, writer, reader), (*[HELD] * height, *above)[:6], cause, findings)


def observed(*climbs, findings=(), given=True):
    view = View(
        "base.pcap", "base", 10, 9, 0, 2_000_000_000, frozenset(), {"cut-short": 3}, 4, 5, "the file ends"
    )
    nothing = ()
    picture = Picture((view,), *[nothing] * 10)
    cast = Cast({}, (), (), ("base",), {})
    return Observed(Site("fernhouse", 7), given, picture, cast, Ladder(climbs), findings)


FINDING = Finding(
    "qos-reliability",
    Rung.MATCHED,
    Severity.STOPS,
    "cart1/odom driver -> pilot",
    "Offered best effort, requested <reliable>.",
    "No odometry.",
    (Evidence("base.pcap", 41, 1.25, "the writer & its QoS"), Evidence("base.pcap", 50, 2.0, "the reader")),
    ("Offer reliable.", "Or request best effort."),
)


def line_of(text, topic):
    return next(line for line in text.splitlines() if line.startswith(topic))


@pytest.mark.parametrize(
    ("flow", "drawn"),
    [
        (climb(), "●─────●─────────●─────────●────────●────────●"),
        (climb(height=5), "●─────●─────────●─────────●────────●        ○"),
        (climb(height=3, cause="qos-reliability"), "●─────●─────────●─────────✗ qos-reliability"),
        (climb(height=0, cause="no-route"), "✗ no-route"),
        (climb(height=0), "○     ○         ○         ○        ○        ○"),
    ],
    ids=["whole", "unseen top", "broken", "broken at the foot", "unseen"],
)
def test_a_climb_is_drawn_as_far_as_it_got(flow, drawn):
    line = line_of(ladder_text(observed(flow)), "cart1/odom")
    assert line.split("pilot")[1].strip() == drawn


def test_marks_stand_under_their_rungs():
    lines = ladder_text(observed(climb())).splitlines()
    heading = next(line for line in lines if "introduced" in line)
    drawn = line_of("\n".join(lines), "cart1/odom")
    for rung in RUNGS:
        start = heading.index(rung)
        assert "●" in drawn[start : start + len(rung)]


def test_ascii_has_the_same_shapes():
    text = ladder_text(observed(climb(height=3, cause="qos-reliability"), climb("t", 5)), Style(wide=False))
    assert text.isascii()
    assert line_of(text, "cart1/odom").endswith("o-----o---------o---------X qos-reliability")
    assert line_of(text, "t ").endswith("o        ?")


@pytest.mark.parametrize("length", [1, 20, 60, 140, 240])
@pytest.mark.parametrize("height", range(6))
def test_no_line_is_too_wide_whatever_the_names(length, height):
    flows = [climb("t" * length, height, "machine-overloaded"), climb("u", height, "shared-memory-split")]
    text = ladder_text(observed(*flows, findings=(FINDING,)))
    assert max(map(len, text.splitlines())) <= WIDTH
    assert text.count("machine-overloaded") == 1
    assert text.count("shared-memory-split") == 1


def test_findings_say_what_where_effect_and_change():
    text = ladder_text(observed(climb(height=3, cause="qos-reliability", findings=(0,)), findings=(FINDING,)))
    assert "1. stops: qos-reliability (matched), cart1/odom driver -> pilot" in text
    assert "   effect   No odometry." in text
    assert (
        "   seen     base.pcap packet 41, 1.250 s: the writer & its QoS\n          - base.pcap packet 50"
        in text
    )
    assert "   change   Offer reliable.\n          - Or request best effort." in text
    assert "   flows" not in text  # the subject is the only one


def test_what_is_odd_about_a_capture_is_said():
    text = ladder_text(observed(climb(height=0)))
    for words in (
        "malformed and passed over: cut-short 3",
        "4 secured submessages",
        "5 packets captured shorter",
        "read up to a cut: the file ends",
        "path of 1 flow: no capture shows",
    ):
        assert words in text


def test_colour_only_where_asked():
    broken = observed(climb(height=3, cause="qos-reliability"))
    assert "\x1b" not in ladder_text(broken)
    assert "\x1b[31m" in ladder_text(broken, Style(colour=True))


def test_the_last_line_is_the_verdict():
    flows = (climb(), climb("a", 3, "partition"), climb("b", 4), climb("c", 0))
    assert ladder_text(observed(*flows)).splitlines()[-1] == (
        "1 of 4 flows on their top rung, 1 broken, 2 not seen to the top."
    )
    assert ladder_text(observed()).splitlines()[-1] == "The site declares no flow."
    assert ladder_text(observed(given=False)).splitlines()[-1].startswith("No flow was seen: ")


def test_the_drawing_is_xml_with_a_shape_for_every_state():
    flows = (climb(), climb("a", 3, "partition"), climb("<b>", 4))
    root = ElementTree.fromstring(ladder_svg(flows))
    classes = [e.get("class") for e in root.iter()]
    assert classes.count("held") == 6 + 3 + 4
    assert classes.count("gone") == classes.count("torn") == classes.count("cause") == 1
    assert classes.count("unseen") == 2
    assert classes.count("flag") == 1
    assert root.get("role") == "img"
    assert "a driver -> pilot: broken at matched, partition" in root.find(f"{SVG}desc").text


def test_many_flows_make_walls_below_each_other():
    root = ElementTree.fromstring(ladder_svg([climb(f"t{n}") for n in range(65)]))
    walls = [e for e in root.findall(f"{SVG}g")]
    assert len(walls) == 3
    assert sum(len(w.findall(f"{SVG}g")) for w in walls) == 65


def test_everything_drawn_lies_within_the_frame():
    flows = [climb(f"a rather long topic name {n}", 5, "machine-overloaded") for n in range(4)]
    root = ElementTree.fromstring(ladder_svg(flows))
    _, _, width, height = map(float, root.get("viewBox").split())
    for element in root.iter():
        for key, limit in (
            ("x", width),
            ("x1", width),
            ("x2", width),
            ("cx", width),
            ("y1", height),
            ("y2", height),
        ):
            if element.get(key) is not None:
                assert 0 <= float(element.get(key)) <= limit


def test_names_cannot_drive_the_terminal():
    text = ladder_text(observed(climb("odom\x1b[2J\x07", 3, "partition\udc80")), Style(colour=True))
    assert "\x1b[2J" not in text
    assert "odom\ufffd[2J\ufffd" in text
    assert text.encode()
    assert "\x1b[31m" in text


def test_json_without_a_site_has_no_site_name():
    told = envelope(observed(climb(), given=False))
    assert told["site"] is None
    assert told["flows"][0]["rungs"] == {str(r): "held" for r in RUNGS}


def test_a_forecast_hangs_beside_what_was_captured():
    seen, planned = climb(height=3, cause="partition"), climb()
    root = ElementTree.fromstring(ladder_svg([seen], {planned.flow: planned}, lambda flow: f"#{flow.topic}"))
    beside = next(e for e in root.iter() if e.get("class") == "planned")
    assert [e.get("class") for e in beside].count("held") == 6
    assert [e.get("href") for e in root.iter() if e.tag == f"{SVG}a"] == [f"#{seen.flow.topic}"]
