"""A pipe that stays open is audited as it comes, and an interrupt ends it with what is known."""

import io
import json
import os
import re
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from contract import shelf
from contract.entry import HANGS_S, invoke, reading

from lowpanbudget.capture.files.source import StreamStopped
from lowpanbudget.cli.listening import Listening

# one frame elides its UDP checksum with nothing in its place; another uses a frame counter again
GOOD = shelf.frames(b"good", 1)
BACK = [*shelf.sealed(b"one", 2, counter=900), *shelf.sealed(b"two", 3, counter=4)]
BEGIN = "frame 3: FAILURE"


@pytest.fixture(autouse=True)
def _is_soon_quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    """All that a pipe of these tests will give before it is read again is in it already."""
    monkeypatch.setattr("lowpanbudget.capture.files.source.QUIET_S", 0.01)
    monkeypatch.setattr("lowpanbudget.cli.listening.Listening._has_some", lambda _: True)


class Pipe(io.BufferedReader):
    """The reading end of a pipe; ``then`` is called when all that is in it has been read and more is waited for."""

    def __init__(self, octets: bytes, then: Callable[["Pipe"], bytes]) -> None:
        reading, self.writing = os.pipe()
        super().__init__(io.FileIO(reading))
        os.write(self.writing, octets)
        self._left, self._then = len(octets), then

    def read1(self, size: int = -1) -> bytes:
        if not self._left:
            more = self._then(self)
            os.write(self.writing, more)
            self._left = len(more)
            if not more:
                self.end()
        octets = super().read1(size)
        self._left -= len(octets)
        return octets

    def end(self) -> None:
        """Close the writing end, once."""
        if self.writing >= 0:
            os.close(self.writing)
        self.writing = -1


def audited(octets: bytes, then: Callable[[Pipe], bytes], *options: str) -> Result:
    """Audit what comes through a pipe."""
    with Pipe(octets, then) as pipe:
        try:
            return invoke("audit", "-", *shelf.CONTEXT, *options, stdin=pipe)  # type: ignore[arg-type]
        finally:
            pipe.end()


def octets_of(tmp_path: Path, frames: list[bytes]) -> bytes:
    return shelf.written(tmp_path / "a.pcap", frames).read_bytes()


def printed() -> str:
    sys.stdout.flush()
    page: Any = sys.stdout.buffer
    octets: bytes = page.getvalue()
    return octets.decode()


@pytest.mark.skipif(os.name != "posix", reason="pipes")
def test_findings_come_while_the_pipe_is_open(tmp_path: Path) -> None:
    octets = octets_of(tmp_path, [*GOOD, *BACK])
    head = 24  # of the file, then 16 a record
    first = octets[: head + 16 + len(GOOD[0])]
    seen: list[str] = []
    pieces = [octets[len(first) :], b""]

    def more(_pipe: Pipe) -> bytes:
        seen.append(printed())
        return pieces.pop(0)

    done = audited(first, more)
    assert seen[0] == ""
    assert seen[1].startswith(BEGIN)
    assert "frame-counter-went-back" in seen[1]
    assert done.stdout.startswith(seen[1])
    summary = invoke("audit", "-", *shelf.CONTEXT, stdin=octets)
    assert done.exit_code == summary.exit_code == 1
    assert (
        done.stdout == seen[1] + summary.stdout
    )  # a capture that is there as a whole tells all at its end


@pytest.mark.skipif(os.name != "posix", reason="pipes")
def test_half_a_record_holds_nothing_up(tmp_path: Path) -> None:
    octets = octets_of(tmp_path, [*GOOD, *BACK, *shelf.frames(b"last", 9)])
    seen: list[str] = []
    pieces = [octets[-30:], b""]

    def more(_pipe: Pipe) -> bytes:
        seen.append(printed())
        return pieces.pop(0)

    done = audited(octets[:-30], more)
    assert seen[0].startswith(BEGIN)
    assert "4 frames" in done.stdout


@pytest.mark.skipif(os.name != "posix", reason="pipes")
def test_one_frame_does_not_tell_for_ever_how_frames_end(tmp_path: Path) -> None:
    """The receiver took the check sequences off, and says otherwise: the first frames cannot prove it."""
    bare = [shelf.frames(bytes([n]) * 9, n, fcs=0)[0] for n in range(20)]
    octets = octets_of(tmp_path, bare)
    size = 16 + len(bare[0])
    pieces = [octets[24 + size : 24 + 6 * size], octets[24 + 6 * size :], b""]
    done = audited(octets[: 24 + size], lambda _pipe: pieces.pop(0), "--json")
    (found,) = json.loads(done.stdout)["audit"]
    assert "check-sequence-not-as-said" in {one["name"] for one in found["findings"]}
    assert found["frames"] == 20


@pytest.mark.skipif(os.name != "posix", reason="pipes")
def test_lines_of_a_log_are_read_as_they_come() -> None:
    lines = [f"2031-05-04T10:20:3{n}Z {one.hex()}\n" for n, one in enumerate([*GOOD, *BACK])]
    seen: list[str] = []

    def more(_pipe: Pipe) -> bytes:
        seen.append(printed())
        return b""

    done = audited("".join(lines).encode(), more)
    assert seen[0].startswith(BEGIN)
    assert done.exit_code == 1


@pytest.mark.skipif(os.name != "posix", reason="pipes")
@pytest.mark.parametrize("form", ["", "--json", "--csv"])
def test_an_interrupt_ends_it_with_what_is_known(tmp_path: Path, form: str) -> None:
    octets = octets_of(tmp_path, [*GOOD, *BACK])

    def interrupted(_pipe: Pipe) -> bytes:
        raise KeyboardInterrupt

    options = [form] if form else []
    done = audited(octets, interrupted, *options)
    whole = invoke("audit", "-", *shelf.CONTEXT, *options, stdin=octets)
    assert done.exit_code == 130
    assert "interrupted" in done.stderr
    assert done.stdout.endswith(whole.stdout)
    assert done.stdout.startswith(BEGIN) == (not form)


@pytest.mark.skipif(os.name != "posix", reason="pipes")
def test_a_reader_that_leaves_ends_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    octets = octets_of(tmp_path, [*GOOD, *BACK])
    asked: list[int] = []

    def more(_pipe: Pipe) -> bytes:
        asked.append(1)
        return b""

    def gone(_stream: Any, _octets: bytes) -> None:
        raise BrokenPipeError(32, "Broken pipe")

    monkeypatch.setattr("lowpanbudget.cli.output._write", gone)
    done = audited(octets, more)
    assert (done.exit_code, done.stdout, done.stderr) == (141, "", "")


def test_a_second_interrupt_waits_for_nothing() -> None:
    """The first one lets what is at hand be finished, unless nothing is."""
    pipe = Listening(io.BytesIO(b"octets"))
    pipe.signalled(signal.SIGINT, None)
    assert pipe.stopped == signal.SIGINT
    with pytest.raises(KeyboardInterrupt):
        pipe.signalled(signal.SIGINT, None)
    with pytest.raises(StreamStopped):
        pipe.read1()


def test_who_ends_a_group_of_processes_ends_one_twice() -> None:
    """So does ``timeout``, which sends its signal to a process and to its group; later it is another one."""
    pipe = Listening(io.BytesIO(b"octets"))
    pipe.signalled(signal.SIGTERM, None)
    pipe.signalled(signal.SIGTERM, None)
    time.sleep(1.1)
    with pytest.raises(SystemExit) as ended:
        pipe.signalled(signal.SIGTERM, None)
    assert ended.value.code == 128 + 15


@pytest.mark.skipif(os.name != "posix", reason="signals")
@pytest.mark.parametrize(
    ("number", "command"),
    [
        (signal.SIGTERM, ("audit", "-")),
        (signal.SIGTERM, ("survey", "-", "--table")),
        (signal.SIGINT, ("survey", "-", "--json")),
        (signal.SIGINT, ("measure", "-")),
        (signal.SIGTERM, ("annotate", "-", "--list")),
    ],
)
def test_a_signal_to_end_ends_a_command_with_what_is_known(
    tmp_path: Path, number: signal.Signals, command: tuple[str, ...]
) -> None:
    """What a pipe brought is told, half a record left out of it and not told as damage; 128 + the signal is common."""
    frames = [shelf.frames(bytes([n % 251]) * 90, n % 256)[0] for n in range(1600)]
    octets = octets_of(tmp_path, frames)
    table = tmp_path / "rows.csv"
    more = [str(table)] if "--table" in command else []
    with reading(octets[:-40], *command, *more, *shelf.CONTEXT) as process:
        process.send_signal(number)
        said, told = process.communicate(timeout=HANGS_S)
    assert process.returncode == 128 + number
    assert told.endswith(b": this is what is known so far\n")
    known = next(int(a or b) for a, b in re.findall(rb'"frames": (\d+)|(\d+) frames', said))
    least = 1600 - 65536 // (16 + len(frames[0])) - 1  # the others may be in the pipe still
    assert least <= known < 1600
    assert b"capture-damaged" not in said
    assert b"cut" not in told
    if more:
        assert len(table.read_text().splitlines()) == 1 + known
