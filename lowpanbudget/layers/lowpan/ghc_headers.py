"""Generic header compression as LOWPAN_NHC headers (RFC 7400 section 3).

    |1 1 0 1 0 C P P|  UDP: ports and checksum in line as for plain UDP NHC, then the data as byte code
    |1 1 0 1 1 1 1 1|  ICMPv6: the whole message as byte code
    |1 0 1 1 0 E E N|  extension header: next header (N=0) and content as byte code, ended by the stop code

The byte machine itself is ``ghc``. An extension header's length field is elided and comes back.
"""

from collections.abc import Sequence
from operator import attrgetter
from typing import NamedTuple

from lowpanbudget.bits import Nature, Reader, Span, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed, WireError
from lowpanbudget.fields import Bits, Choice, Header, Row, bits, layout_of, structure
from lowpanbudget.layers.lowpan import extension_nhc, ghc, nhc
from lowpanbudget.layers.lowpan.ghc import CodedOctets
from lowpanbudget.values import replace

PAYLOADS, EXTENSIONS = rfc(7400, "3.1"), rfc(7400, "3.2")

UDP = Header(
    "UDP GHC",
    PAYLOADS,
    (Bits("NHC id", 5, "GHC for UDP", fixed=0b11010), nhc.CHECKSUM, nhc.PORTS),
)


@structure("ICMPv6 GHC", PAYLOADS)
class Icmpv6Nhc:
    """An ICMPv6 message that comes as byte code."""

    nhc_id = bits(8, "GHC for ICMPv6", fixed=0b11011111, name="NHC id")


ICMPV6 = layout_of(Icmpv6Nhc).word
# section 4 registers only 10110EEN: "probably only Extension Header ID (EID) 0 to 3 ... need to be assigned"
EID = Choice(
    "eid",
    "extension header id (EID)",
    2,
    tuple(
        Row(row.code, 0, row.needs, EXTENSIONS, None, row.restore)
        for row in extension_nhc.EID.rows[:4]
    ),
)
EXTENSION = Header(
    "extension GHC",
    EXTENSIONS,
    (
        Bits("NHC id", 5, "GHC for an extension header", fixed=0b10110),
        EID,
        Bits("NH", 1, {0: "the next header's number is in the code", 1: "the next header is compressed"}),
    ),
)  # fmt: skip


class CodeSize(NamedTuple):
    """Octets of byte code, and how many octets it stands for."""

    byte_code: int
    expanded: int


_VALUE = attrgetter("value")


def code_size(spans: Sequence[Span], nature: Nature | None = None) -> CodeSize:
    """Return what byte code there is among spans: that of headers, of payloads, or without ``nature`` all of it."""
    coded = _coded(spans, nature)
    return CodeSize(sum(span.bits for span in coded) // 8, sum(len(span.value) for span in coded))


def coded_payload(spans: Sequence[Span]) -> bytes:
    """Return what the byte code of a payload stands for."""
    return b"".join([span.value for span in _coded(spans, Nature.PAYLOAD)])


def _coded(spans: Sequence[Span], nature: Nature | None) -> list[Span]:
    if CodedOctets not in map(type, map(_VALUE, spans)):
        return []  # as in most frames
    return [
        span
        for span in spans
        if isinstance(span.value, CodedOctets) and nature in (None, span.nature)
    ]


def read_code(reader: Reader, dictionary: bytes, *, until_stop: bool) -> bytes:
    """Return what the byte code that comes next stands for, leaving a span for each code.

    ``until_stop``: the code ends with a stop code; else it ends with the frame, where a stop code is not needed and not
    forbidden. Raises ``WireError``.
    """
    start, code = reader.pos, reader.ahead()
    reader.layer = "GHC"
    try:
        expansion = ghc.decompress(code, dictionary)
    except WireError as error:
        error.offset += start
        raise
    if until_stop:
        wrong = "" if expansion.stopped else "the byte code of an extension header has no stop code"
    else:
        behind = expansion.consumed < len(code)
        wrong = "octets follow the stop code of the last byte code" if behind else ""
    if wrong:
        raise reader.fault(Malformed, wrong, EXTENSIONS, at=start + expansion.consumed)
    nature = _nature(until_stop)
    for step in expansion.steps:
        name, cite, told = step.code.key, step.code.cite, CodedOctets(step.output)
        reader.octets(len(step.octets), name, step.meaning, cite, value=told, nature=nature)
    return expansion.octets


def write_code(writer: Writer, octets: bytes, dictionary: bytes, *, stop: bool) -> None:
    """Append the shortest byte code for ``octets``, a span for each code."""
    writer.layer = "GHC"
    nature = _nature(stop)
    for step in ghc.decompress(ghc.compress(octets, dictionary, stop=stop), dictionary).steps:
        name, cite, told = step.code.key, step.code.cite, CodedOctets(step.output)
        writer.octets(step.octets, name, step.meaning, cite, value=told, nature=nature)


def _nature(stops: bool) -> Nature:
    """Return what byte code stands for: an extension header is ended by a stop code, a payload by the frame."""
    return Nature.HEADER if stops else Nature.PAYLOAD


def decode_extension(reader: Reader, dictionary: bytes) -> extension_nhc.ExtensionNhc:
    """Return the extension header that comes next, expanded and padded; raises ``WireError``."""
    start = reader.pos
    values, rows = EXTENSION.read(reader)
    kind = EID.read(reader, rows["eid"])
    octets = read_code(reader, dictionary, until_stop=True)
    if not values["NH"] and not octets:
        raise Malformed(
            "the extension header is empty", offset=start, layer=EXTENSION.name, cite=EXTENSIONS
        )
    next_header = None if values["NH"] else octets[0]
    body = octets if values["NH"] else octets[1:]
    header = extension_nhc.expanded(kind, next_header, body, start, EXTENSION.name)
    return extension_nhc.as_read(reader, start, replace(header, generic=True))


def encode_extension(
    writer: Writer, kind: int, octets: bytes, dictionary: bytes, *, nhc_follows: bool
) -> None:
    """Append an extension header (its whole uncompressed octets) as byte code."""
    EXTENSION.write(
        writer, {"NHC id": 0b10110, "eid": extension_nhc.EID_OF[kind], "NH": int(nhc_follows)}
    )
    body = extension_nhc.body_of(kind, octets)
    write_code(writer, body if nhc_follows else octets[:1] + body, dictionary, stop=True)


def gives_back(kind: int, octets: bytes) -> bool:
    """Return whether the GHC form of an extension header comes back the same."""
    if kind not in extension_nhc.EID_OF or extension_nhc.EID_OF[kind] >= len(EID.rows):
        return False
    body = extension_nhc.body_of(kind, octets)
    try:
        return extension_nhc.expanded(kind, None, body, 0, "").octets[1:] == octets[1:]
    except WireError:
        return False
