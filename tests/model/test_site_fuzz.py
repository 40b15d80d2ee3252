"""Whatever a site file holds, reading it gives a site or SiteError, never anything else."""

import json

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.model.test_site_file import FERNHOUSE, QOS
from tests.model.test_site_fleets import FLEET
from toprung.errors import SiteError
from toprung.model.site import Site
from toprung.model.site_file import load_site
from toprung.model.site_text import site_text

TEXTS = (FERNHOUSE, QOS, FLEET)
PIECES = (
    "{n}",
    "on",
    ": ",
    "- ",
    "[",
    "]",
    "{",
    "}",
    "\n",
    "  ",
    "*a",
    "&a",
    "!!int ",
    '"',
    "'",
    "#",
    "1",
    "50 Hz",
    "null",
)


def reads(text):
    try:
        site = load_site(text)
    except SiteError:
        return
    assert isinstance(site, Site)
    site.flows()
    assert load_site(site_text(site)) == site


@given(st.text() | st.binary())
def test_any_text(text):
    reads(text)


@settings(max_examples=300)
@given(
    st.sampled_from(TEXTS),
    st.lists(st.tuples(st.floats(0, 1), st.integers(0, 6), st.sampled_from(PIECES)), max_size=4),
)
def test_a_site_file_with_pieces_cut_and_put_in(text, edits):
    for where, cut, piece in edits:
        at = int(where * len(text))
        text = text[:at] + piece + text[at + cut :]
    reads(text)


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-3, 2000)
    | st.sampled_from(["base", "base{n}", "50 Hz", "10.0.0.1/8", "", "n"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["base", "of", "copies", "from", "to", "address", "machine", "a{n}", ""]),
            inner,
            max_size=3,
        )
    ),
    max_leaves=12,
)
SECTIONS = st.sampled_from(
    [
        "site",
        "domain",
        "machines",
        "links",
        "participants",
        "topics",
        "services",
        "actions",
        "loops",
        "power",
        "fleets",
    ]
)


@settings(max_examples=400)
@given(st.dictionaries(SECTIONS, VALUES))
def test_sections_of_any_shape(data):
    reads(json.dumps(data))
    reads(
        json.dumps(
            {"site": "s", "machines": {"base{n}": {}}, "fleets": {"f": {"copies": 2, "of": ["base{n}"]}}}
            | data
        )
    )
