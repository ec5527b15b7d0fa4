"""A bar only where somebody watches."""

import gzip
import io
import re
import sys
from pathlib import Path
from typing import Any

import pytest
from contract import air, shelf
from contract.entry import invoke

from lowpanbudget.capture.files.reading import read_capture
from lowpanbudget.cli import progress


class _Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def test_a_bar_only_where_somebody_watches(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = shelf.written(tmp_path / "[red]x\x1b.pcap", air.mixed(600))
    monkeypatch.setattr(progress, "PATIENCE_S", 0.0)
    for name in ("NO_COLOR", "TERM"):
        monkeypatch.delenv(name, raising=False)
    watched, piped = _Terminal(), io.StringIO()
    for stream in (watched, piped):
        monkeypatch.setattr(sys, "stderr", stream)
        with read_capture(path) as records:
            assert len(list(progress.followed(records, str(path)))) == 600
    assert piped.getvalue() == ""
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", watched.getvalue())
    assert "reading [red]x\\x1b.pcap" in plain
    assert "512 frames" in plain
    assert "\x1b" not in plain
    monkeypatch.setenv("TERM", "dumb")
    monkeypatch.setattr(sys, "stderr", dumb := _Terminal())
    with read_capture(path) as records:
        assert len(list(progress.followed(records, str(path)))) == 600
    assert dumb.getvalue() == ""


def test_how_much_is_to_come_is_known_of_plain_files_only(tmp_path: Path) -> None:
    path = shelf.written(tmp_path / "a.pcap", air.mixed(40))
    packed = tmp_path / "a.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    assert progress.size_of(str(path)) == path.stat().st_size
    assert [progress.size_of(one) for one in (str(packed), "-", str(tmp_path), "\0")] == [None] * 4


@pytest.mark.parametrize("command", ["audit", "survey", "annotate"])
def test_all_who_read_captures_show_how_far_they_are(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    frames = air.mixed(5)
    path = shelf.written(tmp_path / "a.pcap", frames)
    passed: list[int] = []

    def counted(records: Any, _capture: str) -> Any:
        for record in records:
            passed.append(record.number)
            yield record

    monkeypatch.setattr(progress, "followed", counted)
    invoke(command, path)
    assert len(passed) == len(frames)
