"""What would be if the file said something else."""

from __future__ import annotations

import pytest

from toprung.errors import SiteError
from toprung.model.site import DiscoveryMode
from toprung.model.site_changes import Change, changed
from toprung.model.site_file import load_site

SITE = """\
site: fernhouse
machines:
  "base{n}": {interfaces: {usb0: "10.77.{n}.2/24"}}
  "brain{n}": {interfaces: {usb0: "10.77.{n}.1/24"}}
links:
  "cable{n}": {kind: usb, joins: ["base{n}.usb0", "brain{n}.usb0"], loss: 1 %}
participants:
  "driver{n}": {machine: "base{n}"}
  "pilot{n}": {machine: "brain{n}", discovery: multicast}
topics:
  "cart{n}/odom": {from: "driver{n}", to: "pilot{n}", rate: 50 Hz}
fleets:
  cart: {copies: 2, of: ["base{n}", "brain{n}"]}
"""


def test_one_place():
    site = load_site(SITE, changes=[Change(("links", "cable{n}", "loss"), "3 %")])
    assert [link.loss for link in site.links] == [0.03, 0.03]


def test_every_entry_and_the_copies():
    site = load_site(
        SITE,
        changes=[
            Change(("fleets", "cart", "copies"), 3),
            Change(("participants", "*", "discovery"), {"server": "10.77.1.1:11811"}),
        ],
    )
    assert len(site.machines) == 6
    assert {p.discovery.mode for p in site.participants} == {DiscoveryMode.SERVER}


def test_a_block_that_is_not_there_yet():
    site = load_site(SITE, changes=[Change(("topics", "*", "qos", "reliability"), "best_effort")])
    assert {t.requested.policies for t in site.topics} == {frozenset({"reliability"})}


def test_none_takes_a_key_out():
    site = load_site(SITE, changes=[Change(("topics", "*", "rate"), None)])
    assert {t.rate_hz for t in site.topics} == {None}


def test_what_is_not_there_is_not_made():
    data = {"site": "fernhouse", "links": {}}
    changes = [Change(("links", "air", "loss"), "1 %"), Change(("power", "*", "reserve"), 1)]
    assert changed(data, changes) == data


def test_the_original_stays():
    data = {"links": {"air": {"loss": "1 %"}}}
    assert changed(data, [Change(("links", "air", "loss"), "2 %")]) == {"links": {"air": {"loss": "2 %"}}}
    assert data == {"links": {"air": {"loss": "1 %"}}}


def test_a_bad_value_is_refused_where_it_stands():
    with pytest.raises(SiteError, match="loss: 3 has no unit"):
        load_site(SITE, changes=[Change(("links", "cable{n}", "loss"), "3")])


def test_a_change_says_what_the_file_would():
    change = Change(("participants", "*", "discovery"), {"peers": ["10.77.1.1", "10.77.1.2"]})
    assert str(change) == "participants.*.discovery: {peers: [10.77.1.1, 10.77.1.2]}"
    assert str(Change(("links", "air", "loss"), None)) == "links.air.loss: (left out)"
