"""Named pipes: read while somebody writes, told about when nobody does."""

from __future__ import annotations

import os
import threading

import pytest

from toprung.live.pipes import open_file


def test_a_pipe_without_a_writer_is_told(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(TimeoutError) as raised:
        open_file(tmp_path / "pipe", patience_s=0.05)
    assert raised.value.strerror == "nobody wrote into this pipe for 0.05 s"


def test_a_pipe_is_read_to_its_end(tmp_path):
    path = tmp_path / "pipe"
    os.mkfifo(path)
    content = b"site: x\n" * 20_000  # more than a pipe holds at once
    writer = threading.Thread(target=path.write_bytes, args=(content,))
    writer.start()
    with open_file(path) as file:
        assert file.read() == content
    writer.join()
