"""What bad input gets: one clear line (what, where, what would be right), exit status 2."""

import gzip
import os
import struct
import subprocess
import sys
from pathlib import Path

import pytest

SHARED = Path(__file__).parents[3] / "shared" / "captures"


def one_line(result):
    status, out, err = result
    assert (status, out) == (2, "")
    assert err.startswith("toprung: ")
    assert err.count("\n") == 1, err
    return err


def test_a_machine_that_the_site_lacks(toprung, site_path, captures):
    line = one_line(toprung("read", site_path, captures[0].replace("base=", "basis=")))
    assert 'the site has no machine "basis"' in line
    assert "base, brain, desk" in line


def test_a_missing_file(toprung, site_path):
    assert "nowhere.pcap: no such file or directory" in one_line(toprung("read", site_path, "nowhere.pcap"))


def test_a_folder(toprung, site_path, tmp_path):
    assert "is a" in one_line(toprung("read", site_path, str(tmp_path))).replace("this is a folder", "is a")


def test_no_capture(toprung, site_path):
    assert "no capture is given" in one_line(toprung("read", site_path))


def test_two_sites(toprung, site_path, captures):
    assert "a second site file" in one_line(toprung("read", site_path, site_path, captures[0]))


def test_half_a_label(toprung, site_path):
    assert "would be right: base=base.pcap" in one_line(toprung("read", site_path, "=x.pcap"))


def test_a_file_whose_name_holds_an_equals_sign(toprung, captures, tmp_path):
    odd = tmp_path / "a=b.pcap"
    odd.write_bytes(gzip.decompress(Path(captures[0].partition("=")[2]).read_bytes()))
    assert toprung("read", str(odd))[0] in (0, 1)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\xd4\xc3\xb2\xa1",
        b"\0" * 100,
        b"\x7fELF" + b"\0" * 60,
        b"\x1f\x8b broken gzip",
        b"\x28\xb5\x2f\xfdzz",
    ],
    ids=["empty", "header only", "zeros", "another format", "gzip", "zstd"],
)
def test_what_is_no_capture(toprung, site_path, tmp_path, content):
    path = tmp_path / "base.pcap"
    path.write_bytes(content)
    assert str(path) in one_line(toprung("read", site_path, str(path)))


def test_a_capture_without_rtps(toprung, site_path, tmp_path):
    """A pcap header (draft-ietf-opsawg-pcap, 4) and one Ethernet frame of zeros."""
    path = tmp_path / "base.pcap"
    header = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1)
    path.write_bytes(header + struct.pack("<IIII", 1, 0, 60, 60) + bytes(60))
    line = one_line(toprung("read", site_path, str(path)))
    assert f"{path}: no RTPS in 1 packets" in line


@pytest.mark.skipif(not SHARED.exists(), reason="the shared captures are not here")
def test_a_late_capture_without_a_site_says_why_it_has_no_topics(toprung):
    late = SHARED / "h_cyc_latecapture" / "cartbrain.pcap.gz"
    status, out, _ = toprung("read", str(late))
    assert status == 0
    assert "No topic was seen." in out


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read(toprung, site_path, tmp_path):
    path = tmp_path / "base.pcap"
    path.write_bytes(b"\xd4\xc3\xb2\xa1")
    path.chmod(0)
    assert "permission denied" in one_line(toprung("read", site_path, str(path)))


def test_faults_of_a_site_file_stand_on_a_line_each(toprung, captures, tmp_path):
    site = tmp_path / "site.yaml"
    site.write_text("site: s\ndomain: 999\nmachine: {}\n")
    status, _, err = toprung("read", str(site), captures[0].partition("=")[2])
    assert status == 2
    assert err.splitlines() == [
        f'toprung: {site}:2: domain: "999" is out of bounds; would be right: at most 232',
        f"{site}:3: machine: unknown key; would be right: machines",
    ]


def test_a_capture_is_no_site_and_a_text_no_capture(toprung, captures, tmp_path):
    text = tmp_path / "notes.txt"
    text.write_text("odometry is missing since Tuesday\n")
    assert "this is no site file" in one_line(toprung("read", str(text), captures[0].partition("=")[2]))
    assert "this is a text file" in one_line(toprung("draft", "--from", str(text)))


def test_an_error_cannot_drive_the_terminal(toprung, captures, tmp_path):
    site = tmp_path / "site.yaml"
    site.write_text('site: s\nmachines: {a: {role: "\\e[2J"}}\n')
    status, _, err = toprung("read", str(site), captures[0].partition("=")[2])
    assert status == 2
    assert "\x1b" not in err
    assert "?[2J" in err


def test_a_reader_that_goes_away_is_no_error(site_path, captures):
    words = [sys.executable, "-m", "toprung.cli.main", "read", site_path, *captures, "--json"]
    reading = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    reading.stdout.close()
    assert reading.wait(timeout=30) == 0
    assert reading.stderr.read() == b""
    reading.stderr.close()


def test_usage_errors_are_status_two(toprung):
    said = one_line(toprung("reed"))
    assert "reed" in said
    assert "read" in said
