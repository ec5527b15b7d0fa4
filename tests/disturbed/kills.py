"""Every command that writes a file is ended, or its disk fills, at each call that changes files, and at each line.

What must hold: a file is the old one or the new one, octet for octet; nothing else is left behind but by SIGKILL, and
then under a name that no pattern of files finds; an error is one message and a documented exit code.
"""

import ctypes
import errno
import linecache
import os
import random
import shutil
import signal
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType

from disturbed import forks
from disturbed.commands import WRITING, Command, fill
from disturbed.result import Result

OLD = b"what stood there before\n"
HIDDEN = ".lowpanbudget-"
EVERY, SAMPLED = 12, 12  # the first calls one by one, then so many of the rest
LINES, LINES_SAMPLED = 100, 50
SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
ERRORS = (errno.ENOSPC, errno.EIO)
# the modules in which a file is written; a signal comes at each of their lines
WHERE = ("cli/output.py", "cli/generate.py", "capture/files/code_cache.py")
BY_LINE = {
    "init",
    "generate",
    "expand",
}  # a whole file, two that go together, and one piece by piece
Arm = Callable[[ctypes.CDLL], object]


def places(count: int, every: int = EVERY, sampled: int = SAMPLED) -> list[int]:
    """Return which of ``count`` places are tried, from 1 on: the first, the last and some between them."""
    some = random.Random(count).sample(range(1, count + 1), min(count, sampled))
    return sorted({*range(1, min(count, every) + 1), *some, max(count, 1)})


class Stage:
    """A folder with inputs, in which one command runs again and again from the same beginning."""

    def __init__(self, inputs: Path, work: Path, command: Command, *, standing: bool) -> None:
        self.command, self.inputs, self.standing = command, inputs, standing
        self.folder, self.notes = work / "stage", work / "notes"
        self.notes.mkdir(exist_ok=True)
        self.new = self._written()

    def set(self) -> None:
        """Make the folder anew."""
        shutil.rmtree(self.folder, ignore_errors=True)
        shutil.copytree(self.inputs, self.folder)
        if self.standing:
            for name in self.command.writes:
                (self.folder / name).parent.mkdir(exist_ok=True)
                (self.folder / name).write_bytes(OLD)

    def run(self, arm: Arm, counter: str = "") -> forks.End:
        self.set()
        return forks.ended(self.command, self.folder, self.notes, arm, counter)

    def _written(self) -> dict[str, bytes]:
        end = self.run(lambda _: None)
        assert end.code in (0, 1), (self.command.title, end)
        return {name: (self.folder / name).read_bytes() for name in self.command.writes}

    def there(self) -> dict[str, bytes | None]:
        """Return what stands at each place that the command writes to."""
        return {
            name: (self.folder / name).read_bytes() if (self.folder / name).exists() else None
            for name in self.command.writes
        }

    def faults(self, end: forks.End, *, killed: bool) -> Iterator[str]:
        """Yield what is wrong with the folder, and with what was said."""
        before = OLD if self.standing else None
        there = self.there()
        for name, octets in there.items():
            if octets not in (before, self.new[name]):
                yield f"{name} is neither the old nor the new one: {len(octets or b'')} octets"
        if not killed and there not in (dict.fromkeys(there, before), self.new):
            yield f"one file without the other: {[name for name in there if there[name] == self.new[name]]}"
        inputs = {path.relative_to(self.inputs) for path in self.inputs.rglob("*")}
        for path in self.folder.rglob("*"):
            place = path.relative_to(self.folder)
            if place in inputs:
                if path.is_file() and path.read_bytes() != (self.inputs / place).read_bytes():
                    yield f"{place} is no more what was read"
            elif not any(str(place) in one for one in there) and not (
                killed and path.name.startswith(HIDDEN)
            ):
                yield f"{place} is left behind"
        if b"Traceback" in end.said or b"internal fault" in end.said:
            yield f"it said {end.said[-300:]!r}"


def _at(where: bytes, place: int, how: int, number: int = 0) -> Arm:
    return lambda lib: lib.disturb_changes(where, place, how, number)


def _at_line(place: int, number: int) -> Arm:
    return lambda _: sys.settrace(_Lines(place, number))


def calls(stage: Stage) -> Iterator[tuple[str, str, int, list[str]]]:
    """Yield (row, what, place, faults) for an end or an error at each call that changes files."""
    where = os.fsencode(stage.folder)
    end = stage.run(_at(where, 1 << 30, 0), "changes_seen")
    for place in places(end.counted):
        for how in (forks.DIE, forks.DIE_HALF_WAY):
            end = stage.run(_at(where, place, how))
            wrong = list(stage.faults(end, killed=True))
            if end.code != -signal.SIGKILL:
                wrong.append(f"it was to be killed, and ended with {end.code}")
            yield "kills", "SIGKILL at a call", place, wrong
        for number in SIGNALS:
            end = stage.run(_at(where, place, forks.SIGNAL, number))
            yield (
                "kills",
                f"{number.name} at a call",
                place,
                [*stage.faults(end, killed=False), *_code(end, number)],
            )
        for error in ERRORS:
            end = stage.run(_at(where, place, forks.FAIL, error))
            wrong = list(stage.faults(end, killed=False))
            new = stage.there() == stage.new
            if end.code != (2 if not new else end.code) or end.code not in (0, 1, 2):
                wrong.append(f"exit code {end.code}")
            if end.code == 2 and not end.said.strip():
                wrong.append("no word about it")
            yield "full disks", errno.errorcode[error], place, wrong


def lines(stage: Stage) -> Iterator[tuple[str, str, int, list[str]]]:
    """Yield the same for a signal at each line of the modules that write files."""
    counted = stage.notes / "lines"

    def count(_library: ctypes.CDLL) -> None:
        tally = _Lines(0, None)
        sys.settrace(tally)
        real = os._exit

        def leave(code: int) -> None:
            counted.write_text(str(tally.seen))
            real(code)

        os._exit = leave  # type: ignore[assignment]

    stage.run(count)
    for place in places(int(counted.read_text()), LINES, LINES_SAMPLED):
        for number in SIGNALS[:2]:
            end = stage.run(_at_line(place, number))
            yield (
                "kills",
                f"{number.name} at a line",
                place,
                [*stage.faults(end, killed=False), *_code(end, number)],
            )


class _Lines:
    """A tracer that sends a signal to this process when it comes to its n-th line in the modules that write."""

    def __init__(self, place: int, number: int | None) -> None:
        self.seen, self.place, self.number = 0, place, number

    def __call__(self, frame: FrameType, event: str, _argument: object) -> "_Lines | None":
        name = frame.f_code.co_filename
        if not name.endswith(WHERE):
            return None
        # the interpreter takes signals behind calls and jumps: a line that does nothing gets none
        if event == "line" and linecache.getline(name, frame.f_lineno).strip() != "try:":
            self.seen += 1
            if self.seen == self.place and self.number is not None:
                os.kill(os.getpid(), self.number)
        return self


def _code(end: forks.End, number: int) -> Iterator[str]:
    if end.code not in (128 + number, -number, 0, 1):
        yield f"exit code {end.code}"


def main(result: Result, chosen: list[str]) -> None:
    """Try all commands, or those whose words hold one of the words chosen."""
    with tempfile.TemporaryDirectory() as place:
        work = Path(place).resolve()
        inputs = work / "inputs"
        inputs.mkdir()
        fill(inputs)
        for command in WRITING:
            if chosen and not any(word in command.title for word in chosen):
                continue
            forks.warm(command, inputs)
            for standing in (True, False):
                stage = Stage(inputs, work, command, standing=standing)
                for disturbing in (calls, lines) if command.name in BY_LINE else (calls,):
                    for row, what, at, wrong in disturbing(stage):
                        result.count(
                            row, f"{command.title}, {what} {at}, {'over a file' * standing}", wrong
                        )
            print(f"{command.title}: {result}", flush=True)
