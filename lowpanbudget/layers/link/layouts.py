"""Contents that follow one of a few fixed layouts: information elements and commands (IEEE 802.15.4-2015 clause 7).

A ``Layout`` lists its alternatives; the octets there, or the fields given, decide which one is meant. What has
counts or flags inside is plain code beside it (``mlme.py``, ``contents.py``). Numbers go least significant octet first.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple, Protocol

from lowpanbudget.bits import Reader
from lowpanbudget.cites import Cite
from lowpanbudget.errors import Malformed, RequestError
from lowpanbudget.fields import Header

Fields = dict[str, Any]


class Content(Protocol):
    """What knows one content: its name, and both directions."""

    @property
    def name(self) -> str: ...  # noqa: D102  # a protocol's member

    def read(self, reader: Reader) -> Fields:
        """Return named fields of all octets left to the reader; raises ``WireError``."""

    def write(self, fields: Mapping[str, Any]) -> bytes:
        """Return the octets of named fields; raises ``RequestError``."""


class Part(NamedTuple):
    """One field of ``octets`` octets, or of all that are left (0).

    ``kind`` "number" gives an int; "identifier" octets most significant first, as addresses and OUIs are written;
    "octets" octets as they are sent.
    """

    name: str
    octets: int
    meaning: str | Mapping[int, str] | Callable[[int], str] = ""
    kind: Literal["number", "identifier", "octets"] = "number"


Piece = Part | Header


@dataclass(frozen=True, slots=True)
class Layout:
    """A content with alternatives of different lengths; at most the last one has a part for all that is left."""

    name: str
    cite: Cite
    alternatives: tuple[tuple[Piece, ...], ...]

    def read(self, reader: Reader) -> Fields:
        """Return the named fields of what is left to the reader.

        Raises ``Malformed`` for a length that no alternative has.
        """
        for pieces in self.alternatives:
            least, more = extent(pieces)
            if reader.left == least or (more and reader.left > least):
                return read_pieces(reader, pieces, self.cite)
        lengths = ", ".join(
            f"{least} or more" if more else str(least)
            for least, more in map(extent, self.alternatives)
        )
        raise Malformed(
            f"the {self.name} has {reader.left} octets of content, not {lengths}",
            offset=reader.pos,
            layer=self.name,
            cite=self.cite,
        )

    def write(self, fields: Mapping[str, Any]) -> bytes:
        """Return the octets of the first alternative that has exactly these fields.

        Flags and other bit fields may be left out and are zero then. Raises ``RequestError`` for other fields, or for
        a value that its field cannot hold.
        """
        for pieces in self.alternatives:
            needed = {part.name for part in pieces if isinstance(part, Part)}
            allowed = needed.union(
                *(map(key, word_names(part)) for part in pieces if isinstance(part, Header))
            )
            if needed <= fields.keys() <= allowed:
                return write_pieces(fields, pieces, self.cite)
        wanted = "; or ".join(
            ", ".join(name for part in pieces for name in names(part))
            for pieces in self.alternatives
        )
        raise RequestError(
            f"the {self.name} has no such set of fields: {', '.join(fields) or 'none'}",
            cite=self.cite,
            hint=f"Give {wanted or 'none'}",
        )


def extent(pieces: tuple[Piece, ...]) -> tuple[int, bool]:
    """Return the least octets of a layout, and whether there may be more."""
    return sum(part.octets for part in pieces), any(part.octets == 0 for part in pieces)


def key(name: str) -> str:
    """Return the key of a field in ``fields``: its name with underscores."""
    return name.replace(" ", "_").replace("-", "_")


def word_names(word: Header) -> tuple[str, ...]:
    """Return the names of the fields of a word, reserved ones included."""
    return tuple(part.name for part in word.fields)


def names(part: Piece) -> tuple[str, ...]:
    """Return the keys that one piece takes, reserved bits left out."""
    if isinstance(part, Part):
        return (part.name,)
    return tuple(key(name) for name in word_names(part) if not name.startswith("reserved"))


def read_pieces(reader: Reader, pieces: tuple[Piece, ...], cite: Cite) -> Fields:
    """Return the named fields of pieces in a row; raises ``Truncated``."""
    fields: Fields = {}
    for part in pieces:
        if isinstance(part, Header):
            layer = reader.layer
            values, _ = part.read(reader)
            reader.layer = layer
            fields.update(
                (key(name), value)
                for name, value in values.items()
                if value or not name.startswith("reserved")
            )
        else:
            fields[part.name] = _read(reader, part, cite)
    return fields


def _read(reader: Reader, part: Part, cite: Cite) -> int | bytes:
    label = part.name.replace("_", " ")
    count = part.octets or reader.left
    reader.need(count, f"the {label}", cite)
    octets = reader.data[reader.pos : reader.pos + count]
    value: int | bytes = octets
    meaning = part.meaning if isinstance(part.meaning, str) else ""
    if part.kind == "number":
        value = number = int.from_bytes(octets, "little")
        if callable(part.meaning):
            meaning = part.meaning(number)
        elif not isinstance(part.meaning, str):
            meaning = part.meaning.get(number, "reserved")
    elif part.kind == "identifier":
        value = octets[::-1]
    reader.octets(count, label, meaning, cite, value=value)
    return value


def write_pieces(fields: Mapping[str, Any], pieces: tuple[Piece, ...], cite: Cite) -> bytes:
    """Return the octets of pieces in a row; raises ``RequestError``."""
    octets = b""
    for part in pieces:
        if isinstance(part, Header):
            values = {name: int(fields.get(key(name), 0)) for name in word_names(part)}
            octets += part.join(values).to_bytes(part.octets, "little")
        else:
            octets += write_part(fields.get(part.name), part, cite)
    return octets


def write_part(value: Any, part: Part, cite: Cite) -> bytes:
    """Return the octets of one part; raises ``RequestError`` for a value that it cannot hold."""
    if part.kind == "number":
        if isinstance(value, int) and 0 <= value < 1 << 8 * part.octets:
            return int(value).to_bytes(part.octets, "little")
        allowed = f"a number from 0 to {(1 << 8 * part.octets) - 1}"
    else:
        if isinstance(value, bytes) and len(value) == (part.octets or len(value)):
            return value[::-1] if part.kind == "identifier" else value
        allowed = f"bytes, {part.octets or 'any number of'} octets"
    shown = value if isinstance(value, int) else type(value).__name__
    raise RequestError(f"{part.name} is {shown}, not {allowed}", cite=cite)
