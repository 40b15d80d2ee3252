"""Writing a site: what is written loads again as the same site."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.model.test_site_file import CAPTURES, FERNHOUSE, QOS
from toprung.model.site import Fleet, Machine, Participant, Site, Topic
from toprung.model.site_file import load_site
from toprung.model.site_text import site_text


@pytest.mark.parametrize("text", [FERNHOUSE, QOS, FERNHOUSE.replace("domain: 7", "naming: prefixed")])
def test_a_site_survives_writing(text):
    site = load_site(text)
    written = site_text(site)
    assert load_site(written) == site
    assert site_text(load_site(written)) == written


@pytest.mark.parametrize("path", sorted(CAPTURES.glob("*/site.yaml")), ids=lambda p: p.parent.name)
def test_the_shared_sites_survive_writing(path):
    site = load_site(path.read_bytes())
    assert load_site(site_text(site)) == site


def test_lines_stay_within_a_hundred_columns():
    assert max(map(len, site_text(load_site(FERNHOUSE)).splitlines())) <= 100


def test_the_text_is_for_people():
    written = site_text(load_site(FERNHOUSE)).splitlines()
    assert written[0] == "site: fernhouse"
    assert "  cart1/drive:" in written
    assert "    qos: {reliability: best_effort}" in written
    assert "  desk: {role: station, interfaces: {wlan0: 10.77.2.40/24}}" in written


names = st.text(
    st.characters(blacklist_categories=["Cs", "Cc", "Zs", "Zl", "Zp", "Cn", "Co", "Cf"]),
    min_size=1,
    max_size=12,
)
machine_names = names.filter(lambda name: not set(name) & set(".=[]"))


@given(site=names, machine=machine_names, participant=names, topic=names, type_name=names)
def test_any_name_survives_writing(site, machine, participant, topic, type_name):
    noun = Site(
        site,
        machines=(Machine(machine), Machine(machine + "2")),
        participants=(Participant(participant, machine), Participant(participant + "2", machine + "2")),
        topics=(Topic(topic, type_name, writers=(participant,), readers=(participant + "2",)),),
        fleets=(Fleet(topic, ((machine,), (machine + "2",))),),
    )
    assert load_site(site_text(noun)) == noun
