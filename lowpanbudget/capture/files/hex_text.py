"""Octets that people type or keep in files: hex text, in a file a frame a line, or the rows of a dump."""

import string
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, NamedTuple

from lowpanbudget.capture.files.hex_dump import TextLine, joined, without_comment
from lowpanbudget.errors import RequestError, plural

_DIGITS = frozenset(string.hexdigits)
_BETWEEN = frozenset(" \t\r\n\f\v:-_,")
_LONGEST_LINE = 1 << 16
_HINT = (
    "Hex is two digits an octet, with spaces, colons, commas or dashes between octets if you like"
)


class HexLine(NamedTuple):
    """Octets and where they stood: nowhere for text that was typed, else ``file:line``."""

    octets: bytes
    place: str = ""


def octets_of(text: str, place: str = "") -> bytes:
    """Return the octets of hex text; separators may stand between octets, ``0x`` before any group.

    Raises ``RequestError`` naming the column, with ``place`` before it.
    """
    octets = bytearray()
    for column, group in _groups(text):
        digits = group[2:] if group[:2] in ("0x", "0X") else group
        at = column + len(group) - len(digits)
        for offset, char in enumerate(digits):
            if char not in _DIGITS:
                raise RequestError(f"{_at(place, at + offset)}{char!r} is no hex digit", hint=_HINT)
        if len(digits) % 2:
            raise RequestError(
                f"{_at(place, column)}{_short(group)!r} has {plural(len(digits), 'hex digit')}, half an octet too many",
                hint=_HINT,
            )
        octets += bytes.fromhex(digits)
    if not octets:
        raise RequestError(f"{place + ': ' if place else ''}no octets are given", hint=_HINT)
    return bytes(octets)


def _groups(text: str) -> Iterator[tuple[int, str]]:
    """Yield each run of characters between separators with its column, from 1."""
    start = None
    for index, char in enumerate(text + " "):
        if char in _BETWEEN:
            if start is not None:
                yield start + 1, text[start:index]
                start = None
        elif start is None:
            start = index


def _at(place: str, column: int) -> str:
    return f"{place}:{column}: " if place else f"character {column}: "


def _short(text: str) -> str:
    return text if len(text) <= 24 else text[:21] + "..."


def looks_like_hex(text: str) -> bool:
    """Return whether text can only be meant as hex: digits and separators, nothing else."""
    return all(
        all(char in _DIGITS for char in (group[2:] if group[:2] in ("0x", "0X") else group))
        for _, group in _groups(text)
    )


def only_line(text: str, stdin: BinaryIO) -> bytes:
    """Return the octets of hex text, or of the single line that standard input has, for ``-``."""
    if text != "-":
        return octets_of(text)
    lines = list(_lines(stdin, "standard input"))
    if len(lines) != 1:
        raise RequestError(
            f"standard input has {len(lines)} lines of hex, one is wanted",
            hint="Give one datagram or payload at a time",
        )
    return lines[0].octets


def hex_lines(text: str, stream: BinaryIO | None = None) -> list[HexLine]:
    """Return the octets of hex text as one line, or of all lines of the file that the text names.

    ``stream`` is what the text stands for where that is open already: standard input for ``-``, or a pipe.
    Raises ``RequestError`` for text that is neither, a file that cannot be read, and malformed hex.
    """
    if stream is not None:
        return list(_lines(stream, "standard input" if text == "-" else text))
    if looks_like_hex(text):
        rows = joined(TextLine(1, 0, line) for line in text.splitlines())
        return [HexLine(octets_of("\n".join(row.text for row in rows)))]
    with _opened(text) as file:
        return list(_lines(file, text))


@contextmanager
def _opened(path: str) -> Iterator[BinaryIO]:
    try:
        with Path(path).open("rb") as file:
            yield file
    except FileNotFoundError:
        first = next(char for char in path if char not in _DIGITS | _BETWEEN)
        raise RequestError(
            f"{_short(path)!r} is neither hex ({first!r} is no hex digit) nor a file that exists",
            hint=_HINT,
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RequestError(
            f"the file {_short(path)!r} cannot be read: {reason}", hint="Check the name"
        ) from None


def _next_line(file: BinaryIO, name: str) -> bytes:
    try:
        return file.readline(_LONGEST_LINE)
    except OSError as error:
        raise RequestError(
            f"{name} cannot be read: {error.strerror or error}", hint="Check the name"
        ) from None


def _lines(file: BinaryIO, name: str) -> Iterator[HexLine]:
    for line in joined(_text_lines(file, name)):
        place = f"{name}:{line.number}"
        yield HexLine(octets_of(line.text, place), place)


def _text_lines(file: BinaryIO, name: str) -> Iterator[TextLine]:
    number = 0
    while line := _next_line(file, name):
        number += 1
        if len(line) == _LONGEST_LINE:
            raise RequestError(
                f"{name}:{number}: the line has {_LONGEST_LINE} characters or more",
                hint="Write one frame a line in hex",
            )
        text = line.removeprefix(b"\xef\xbb\xbf").decode("ascii", "backslashreplace")
        text = without_comment(text).split("#")[0]
        if text.strip():
            yield TextLine(number, 0, text)
