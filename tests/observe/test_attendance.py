"""Who is there now: leases, goodbyes, and times in which nothing could be heard."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.observe.captures import picture, truths
from toprung.model.picture import Mark
from toprung.observe.attendance import Attendance, Coming, Presence, presence

CASE = "h_fast_server"
pytestmark = pytest.mark.skipif(CASE not in truths(), reason="NOT CHECKED: no captures with known truth")
SECOND = 1_000_000_000


def somebody(heard_s, lease_s=10, goodbye_s=None):
    seen = picture(CASE).participants[0]
    said = None if goodbye_s is None else Mark(goodbye_s * SECOND, 0, 1)
    lease = None if lease_s is None else lease_s * SECOND
    return replace(seen, last_heard=Mark(heard_s * SECOND, 0, 1), lease_ns=lease, goodbye=said)


def group(*participants):
    shown = picture(CASE)
    numbered = [replace(p, prefix=bytes([n]) * 12) for n, p in enumerate(participants)]
    return replace(shown, participants=tuple(numbered))


def test_a_lease_runs_out_after_the_last_sign_of_life():
    assert presence(somebody(100), 110 * SECOND, 0) is Presence.HERE
    assert presence(somebody(100), 110 * SECOND + 1, 0) is Presence.LAPSED


def test_without_an_announcement_the_standards_lease_counts():
    """DDSI-RTPS 2.5, 8.5.3.2 and table 9.18: 100 s unless announced otherwise."""
    assert presence(somebody(100, None), 200 * SECOND, 0) is Presence.HERE
    assert presence(somebody(100, None), 200 * SECOND + 1, 0) is Presence.LAPSED


def test_while_we_were_deaf_nobody_lapses():
    assert presence(somebody(100), 150 * SECOND, 145 * SECOND) is Presence.HERE
    assert presence(somebody(100), 156 * SECOND, 145 * SECOND) is Presence.LAPSED


def test_a_goodbye_counts_until_something_is_heard_again():
    assert presence(somebody(100, goodbye_s=100), 101 * SECOND, 0) is Presence.LEFT
    assert presence(somebody(105, goodbye_s=100), 106 * SECOND, 0) is Presence.HERE


def test_changes_between_looks():
    attendance = Attendance()
    assert list(attendance.look(group(somebody(100)), 101 * SECOND, 0)) == []  # no look before it
    both = group(somebody(102), somebody(102))
    assert list(attendance.look(both, 103 * SECOND, 0)) == [Coming(1, None, Presence.HERE)]
    assert list(attendance.look(both, 104 * SECOND, 0)) == []
    later = list(attendance.look(group(somebody(102), somebody(110)), 113 * SECOND, 0))
    assert later == [Coming(0, Presence.HERE, Presence.LAPSED)]
    back = list(attendance.look(group(somebody(114), somebody(114, goodbye_s=114)), 115 * SECOND, 0))
    assert back == [
        Coming(0, Presence.LAPSED, Presence.HERE),
        Coming(1, Presence.HERE, Presence.LEFT),
    ]
