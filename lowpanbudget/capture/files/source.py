"""Octets of a file, a pipe or any binary file object, taken in pieces; compressed ones are unpacked on the way."""

import gzip
import io
import select
import sys
import zlib
from collections.abc import Callable
from contextlib import suppress
from struct import Struct
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
    waits for more of it than was asked for. Raises ``RequestError`` when the file cannot be read.
    """

    __slots__ = (
        "_at",
        "_buffer",
        "_ended",
        "_file",
        "_gone",
        "_read_some",
        "frames",
        "layout",
        "trouble",
    )

    def __init__(self, file: BinaryFile) -> None:
        # ``read`` of a buffered pipe would wait until all that it may give is there, ``read1`` does not
        self._read_some: Callable[[int], Any] = getattr(file, "read1", file.read)
        self._file = file
        self._buffer = b""
        self._at = 0
        self._gone = 0  # octets that left the buffer
        self._ended = False
        self.trouble = ""
        self.frames = 0
        self.layout: Any = None
        if self.peek(2) == GZIP:
            packed = _Ahead(self._buffer, file)
            # what was unpacked before a fault is handed out first: ``read`` would lose it, ``read1`` does not
            self._read_some = gzip.GzipFile(fileobj=packed, mode="rb").read1
            self._buffer, self._ended = b"", False

    @property
    def offset(self) -> int:
        """Return the place of the next octet."""
        return self._gone + self._at

    @property
    def is_quiet(self) -> bool:
        """Return whether all that came has been taken, a beginning left over, and a pipe gave no more for a while."""
        if len(self._buffer) - self._at >= _BEGINNING or self._ended or sys.platform == "win32":
            return False
        try:
            ready, _, _ = select.select([self._file], [], [], QUIET_S)  # type: ignore[type-var]  # or it raises
        except (OSError, ValueError, TypeError):  # no file of the system's, or a closed one
            return False
        return not ready

    def peek(self, count: int) -> bytes:
        """Return the next octets without taking them; fewer at the end."""
        if len(self._buffer) - self._at < count:
            self._fill(count)
        return self._buffer[self._at : self._at + count]

    def take(self, count: int) -> bytes:
        """Return the next octets; fewer than asked only at the end."""
        end = self._at + count
        octets = self._buffer[self._at : end]
        if len(octets) < count:
            self._fill(count)
            end = min(count, len(self._buffer))
            octets = self._buffer[:end]
        self._at = end
        return octets

    def numbers(self, layout: Struct) -> tuple[int, ...] | None:
        """Return what the next octets hold by this layout; None, with nothing taken, where there are fewer."""
        at = self._at
        end = at + layout.size
        if end > len(self._buffer):
            self._fill(layout.size)
            at, end = 0, layout.size
            if end > len(self._buffer):
                return None
        self._at = end
        return layout.unpack_from(self._buffer, at)

    def ahead(self, count: int) -> memoryview:
        """Return at least so many of the next octets without taking them; fewer only at the end.

        Where nobody wants more of them than there are, these.
        """
        if len(self._buffer) - self._at < count:
            with suppress(StreamStopped):
                self._fill(count)
        return memoryview(self._buffer)[self._at :]

    def pass_over(self, octets: int, frames: int) -> None:
        """Take octets that were looked at, with so many records in them."""
        self._at += octets
        self.frames += frames

    def some(self, most: int) -> bytes:
        """Return the next octets without taking them: a line at least, or ``most``; fewer at the end."""
        self._find(b"\n", most)
        return self._buffer[self._at : self._at + most]

    def line(self, longest: int) -> bytes:
        """Return the octets up to and with the next newline, at most ``longest``."""
        return self.take(self._find(b"\n", longest))

    def _find(self, end: bytes, most: int) -> int:
        """Return how many octets there are up to and with the next ``end``, at most ``most``; wait for no more."""
        seen = 0
        while True:
            found = self._buffer.find(end, self._at + seen, self._at + most) + 1
            if found:
                return found - self._at
            held = len(self._buffer) - self._at
            if held >= most or len(self.peek(held + 1)) == held:
                return min(held, most)
            seen = held

    def _fill(self, count: int) -> None:
        parts = [self._buffer[self._at :]]
        held = len(parts[0])
        self._gone += self._at
        self._at = 0
        try:
            while held < count and not self._ended:
                octets = self._read(max(CHUNK, count - held))
                self._ended = not octets
                parts.append(octets)
                held += len(octets)
        finally:
            self._buffer = b"".join(parts)

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
