"""A bar only where somebody watches."""

import gzip
import io
import re
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from contract import air, shelf
from contract.entry import DESIGNS, invoke

from lowpanbudget.capture.files.reading import read_capture
from lowpanbudget.cli import progress, workers


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


def test_rate_and_time_left_over_all_captures(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After 60 s the first of two files of one size is read half: 64 frames a minute, and three times as long to go."""
    for name in ("NO_COLOR", "TERM"):
        monkeypatch.delenv(name, raising=False)
    paths = [tmp_path / "a.pcap", tmp_path / "b.pcap"]
    for path in paths:
        path.write_bytes(bytes(1000))
    now = [0.0]
    monkeypatch.setattr("lowpanbudget.cli.progress.time.monotonic", lambda: now[0])
    shown: list[dict[str, Any]] = []

    class Bar:
        def update(self, _task: object, **told: Any) -> None:
            shown.append(told)

        def stop(self) -> None:
            shown.append({})

    monkeypatch.setattr(sys, "stderr", _Terminal())
    course = progress.Course([*map(str, paths)])

    def draw() -> None:
        course._shown, course._task = Bar(), 0  # type: ignore[assignment]

    monkeypatch.setattr(course, "_draw", draw)
    course.begin(str(paths[0]))
    course.move(1, 10)
    assert shown == []  # it has only begun
    now[0] = 60.0
    course.move(64, 500)
    assert shown[-1] == {
        "completed": 500, "description": "reading a.pcap (1 of 2)", "frames": "64 frames, 1 a second",
        "left": ", 3 min left",
    }  # fmt: skip
    course.end(str(paths[0]))
    course.begin(str(paths[1]))
    now[0] = 120.0
    course.move(56, 500)
    assert shown[-1] == {
        "completed": 1500, "description": "reading b.pcap (2 of 2)", "frames": "120 frames, 1 a second",
        "left": ", 40 s left",
    }  # fmt: skip
    course.end(str(paths[1]))
    assert shown[-1] == {}


def test_workers_show_how_far_all_files_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a file that is done all octets count, of another those that its worker has read; a fault ends it."""
    monkeypatch.setattr(workers, "_LOOK_S", 0)
    paths = [str(tmp_path / name) for name in "ab"]
    for path in paths:
        Path(path).write_bytes(bytes(1000))
    first, second = futures = [Future[Any](), Future[Any]()]
    far = [
        64,
        900,
        128,
        1300,
    ]  # frames and octets of each; what is compressed has more than its file
    shown: list[tuple[int, int, str]] = []

    class Told:
        def show(self, frames: int, octets: int, name: str) -> None:
            shown.append((frames, octets, name))
            (second if first.done() else first).set_result(None)

    workers._show(Told(), futures, far, paths)  # type: ignore[arg-type]
    assert shown == [
        (192, 900 + 1000, "files (0 of 2 done)"),
        (192, 1000 + 1000, "files (1 of 2 done)"),
    ]
    failed = Future[Any]()
    failed.set_exception(OSError())
    workers._show(Told(), [failed, Future[Any]()], far, paths)  # type: ignore[arg-type]
    assert len(shown) == 2


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


def test_fit_tells_how_far_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[tuple[str, int, int]] = []

    @contextmanager
    def counted(what: str) -> Iterator[Callable[[int, int], None]]:
        yield lambda done, total: told.append((what, done, total))

    monkeypatch.setattr(progress, "counted", counted)
    invoke("fit", DESIGNS[0])
    # five messages, one of which two flows carry
    assert told == [("messages on flows", done, 6) for done in range(1, 7)]


def test_a_bar_of_what_is_counted_gives_way_to_what_goes_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """All combinations are done while the network is still simulated: the bar no longer says that all is done."""
    monkeypatch.setattr(progress, "PATIENCE_S", 0.0)
    for name in ("NO_COLOR", "TERM"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(sys, "stderr", watched := _Terminal())
    with progress.counted("parts", "what is simulated") as tell:
        for done in range(1, progress.EVERY + 1):
            tell(done, progress.EVERY)
        counted = watched.getvalue()
        tell(progress.EVERY, None)
    after = watched.getvalue()[len(counted) :]
    assert f"/{progress.EVERY}" in counted
    assert "what is simulated" not in counted
    last = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", after).split("parts")[-1]
    assert "what is simulated" in last
    assert f"{progress.EVERY}/" not in last.split("what is simulated", 1)[1]
    monkeypatch.setattr(sys, "stderr", piped := io.StringIO())
    with progress.counted("parts", "what is simulated") as tell:
        tell(1, None)
    assert piped.getvalue() == ""


def test_a_burst_shows_at_once_that_it_is_played(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before the first run, which may take long, and without waiting for as many as of frames."""
    for name in ("NO_COLOR", "TERM"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(sys, "stderr", watched := _Terminal())
    with progress.counted("runs of the burst", at_once=True) as tell:
        tell(0, 200)
    assert "0/200" in watched.getvalue()
    with progress.counted("runs of the burst") as tell:
        tell(1, 200)
    assert watched.getvalue().count("runs of the burst") == watched.getvalue().count("0/200")
