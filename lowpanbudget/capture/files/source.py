"""Octets of a file, a pipe or any binary file object, taken in pieces; compressed ones are unpacked on the way."""

import gzip
import io
import select
import sys
import zlib
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Protocol

from lowpanbudget.errors import RequestError

CHUNK = 1 << 18
_BEGINNING = 256  # octets that may be the front of a record; few frames are longer
QUIET_S = 0.25  # a pipe that gives nothing for so long is waited for; our choice
GZIP = b"\x1f\x8b"  # RFC 1952 section 2.3.1


class StreamStopped(Exception):
    """A stream is read no further though it goes on; a file raises it that somebody ended, in place of octets."""


class BinaryFile(Protocol):
    """What can be read: anything with ``read``, as files opened in binary mode have it."""

    def read(self, size: int, /) -> bytes:
        """Return at most ``size`` octets; none at the end."""


class Source:
    """Hands out the octets of a binary file in order, however short its reads are.

    ``offset`` is how many have been taken. ``trouble`` says why no more came, when that was not the end of the file:
    compressed octets that are cut or damaged. ``frames`` are the records taken so far, and ``layout`` is what a reader
    found out about those to come, for others that go on from there. What a pipe has is handed out at once: nobody
    waits for more of it than was asked for. A reader of many small pieces takes them from ``buffer``, from ``at`` on,
    and moves that; ``gone`` octets left the buffer before. Raises ``RequestError`` when the file cannot be read.
    """

    __slots__ = (
        "_ended",
        "_file",
        "_read_some",
        "at",
        "buffer",
        "frames",
        "gone",
        "layout",
        "trouble",
    )

    def __init__(self, file: BinaryFile) -> None:
        # ``read`` of a buffered pipe would wait until all that it may give is there, ``read1`` does not
        self._read_some: Callable[[int], Any] = getattr(file, "read1", file.read)
        self._file = file
        self.buffer = b""
        self.at = 0
        self.gone = 0
        self._ended = False
        self.trouble = ""
        self.frames = 0
        self.layout: Any = None
        if self.peek(2) == GZIP:
            packed = _Ahead(self.buffer, file)
            # what was unpacked before a fault is handed out first: ``read`` would lose it, ``read1`` does not
            self._read_some = gzip.GzipFile(fileobj=packed, mode="rb").read1
            self.buffer, self._ended = b"", False

    @property
    def offset(self) -> int:
        """Return the place of the next octet."""
        return self.gone + self.at

    @property
    def is_quiet(self) -> bool:
        """Return whether all that came has been taken, a beginning left over, and a pipe gave no more for a while."""
        if len(self.buffer) - self.at >= _BEGINNING or self._ended or sys.platform == "win32":
            return False
        try:
            ready, _, _ = select.select([self._file], [], [], QUIET_S)  # type: ignore[type-var]  # or it raises
        except (OSError, ValueError, TypeError):  # no file of the system's, or a closed one
            return False
        return not ready

    def peek(self, count: int) -> bytes:
        """Return the next octets without taking them; fewer at the end."""
        if len(self.buffer) - self.at < count:
            self._fill(count)
        return self.buffer[self.at : self.at + count]

    def take(self, count: int) -> bytes:
        """Return the next octets; fewer than asked only at the end."""
        end = self.at + count
        octets = self.buffer[self.at : end]
        if len(octets) < count:
            self._fill(count)
            end = min(count, len(self.buffer))
            octets = self.buffer[:end]
        self.at = end
        return octets

    def ahead(self, count: int) -> memoryview:
        """Return at least so many of the next octets without taking them; fewer only at the end.

        Where nobody wants more of them than there are, these.
        """
        if len(self.buffer) - self.at < count:
            with suppress(StreamStopped):
                self._fill(count)
        return memoryview(self.buffer)[self.at :]

    def pass_over(self, octets: int, frames: int) -> None:
        """Take octets that were looked at, with so many records in them."""
        self.at += octets
        self.frames += frames

    def some(self, most: int) -> bytes:
        """Return the next octets without taking them: a line at least, or ``most``; fewer at the end."""
        self._find(b"\n", most)
        return self.buffer[self.at : self.at + most]

    def line(self, longest: int) -> bytes:
        """Return the octets up to and with the next newline, at most ``longest``."""
        return self.take(self._find(b"\n", longest))

    def _find(self, end: bytes, most: int) -> int:
        """Return how many octets there are up to and with the next ``end``, at most ``most``; wait for no more."""
        seen = 0
        while True:
            found = self.buffer.find(end, self.at + seen, self.at + most) + 1
            if found:
                return found - self.at
            held = len(self.buffer) - self.at
            if held >= most or len(self.peek(held + 1)) == held:
                return min(held, most)
            seen = held

    def _fill(self, count: int) -> None:
        parts = [self.buffer[self.at :]]
        held = len(parts[0])
        self.gone += self.at
        self.at = 0
        try:
            while held < count and not self._ended:
                octets = self._read(max(CHUNK, count - held))
                self._ended = not octets
                parts.append(octets)
                held += len(octets)
        finally:
            self.buffer = b"".join(parts)

    def _read(self, count: int) -> bytes:
        try:
            octets = self._read_some(count)
        except (EOFError, zlib.error, gzip.BadGzipFile) as error:
            self.trouble = f"the compressed octets are cut or damaged: {error}"
            return b""
        except OSError as error:
            raise RequestError(
                f"the capture cannot be read: {error.strerror or error}",
                hint="Copy it anew, or give another capture",
            ) from None
        if octets is None:  # a file that would rather not wait
            return b""
        if not isinstance(octets, bytes | bytearray | memoryview):
            raise RequestError(
                f"the capture gives {type(octets).__name__}, not octets",
                hint="Open it in binary mode",
            )
        return bytes(octets)


class _Ahead(io.RawIOBase):
    """A file from which some octets have been read already, put before the rest again."""

    def __init__(self, ahead: bytes, file: BinaryFile) -> None:
        super().__init__()
        self._ahead = ahead
        self._read = getattr(file, "read1", file.read)

    def readable(self) -> bool:
        return True

    def readinto(self, into: Any) -> int:
        octets = self._ahead[: len(into)] if self._ahead else self._read(len(into))
        self._ahead = self._ahead[len(octets) :]
        into[: len(octets)] = octets
        return len(octets)
