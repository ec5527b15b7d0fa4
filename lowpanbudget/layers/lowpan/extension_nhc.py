"""LOWPAN_NHC: compressed IPv6 extension headers (RFC 6282 section 4.2).

0   1   2   3   4   5   6   7
+---+---+---+---+---+---+---+---+
| 1 | 1 | 1 | 0 |    EID    |NH |    then in line: next header (NH=0), length, the header's other octets
+---+---+---+---+---+---+---+---+
"""

from lowpanbudget.bits import Reader, Span, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed
from lowpanbudget.fields import BY_RULE, IN_LINE, Bits, Choice, Header, Row, Sent, stated_by
from lowpanbudget.layers.internet import chain, ipv6
from lowpanbudget.values import dataclass, field, replace

EXTENSION_FORMAT = rfc(6282, "4.2")


def _eid(code: int, name: str, number: int | None) -> Row:
    restore = None if number is None else lambda _octets, _env: number
    return Row(code, 0, name, EXTENSION_FORMAT, None, restore)


EID = Choice(
    "eid",
    "extension header id (EID)",
    3,
    (
        _eid(0, "hop-by-hop options header", ipv6.HOP_BY_HOP),
        _eid(1, "routing header", ipv6.ROUTING),
        _eid(2, "fragment header", ipv6.FRAGMENT),
        _eid(3, "destination options header", ipv6.DESTINATION),
        _eid(4, "mobility header", ipv6.MOBILITY),
        _eid(5, "reserved", None),
        _eid(6, "reserved", None),
        _eid(7, "IPv6 header, itself compressed with LOWPAN_IPHC", ipv6.IPV6),
    ),
)
EID_OF = {row.restore(b"", None): row.code for row in EID.rows if row.restore is not None}
# what has an octet of LOWPAN_NHC; that of ICMPv6 (RFC 7400) takes the place of the number that it saves
WITH_NHC = frozenset({ipv6.UDP, *EID_OF})

EXTENSION = Header(
    "NHC extension",
    EXTENSION_FORMAT,
    (
        Bits("NHC id", 4, "LOWPAN_NHC for an extension header", fixed=0b1110),
        EID,
        Bits(
            "NH", 1, {0: "the next header's number is in line", 1: "the next header is compressed"}
        ),
    ),
)

_MOST = 255  # the length octet counts what follows it
FRAGMENT_BODY = chain.FRAGMENT.octets - 1  # behind its next header; it has no length field
LONGEST = 256 * 8 - 2  # of an extension header, behind its length field (RFC 8200 section 4.3)
_ALIGNED = (ipv6.HOP_BY_HOP, ipv6.DESTINATION)


@stated_by(EXTENSION)
@dataclass(frozen=True, slots=True)
class ExtensionNhc:
    """A compressed extension header read.

    ``kind`` is its next-header number; ``octets`` the whole uncompressed header (none for an IPv6 header), its first
    octet 0 while the next header is compressed (``next_header`` None). ``generic``: it came as byte code (RFC 7400).
    ``sent`` are the octets that it was read from, and the header as it was read.
    """

    kind: int
    octets: bytes
    next_header: int | None
    generic: bool = False
    sent: Sent | None = field(default=None, repr=False, compare=False)

    def restored(self, at: int, end: int) -> Span:
        """Return the extension header as one field, restored from the octets ``at`` to ``end``."""
        name = ipv6.next_header_name(self.kind)
        first = at + EXTENSION.octets
        # the length octet is no octet of the header, and byte code carries none, nor does a fragment header
        counted = self.kind != ipv6.FRAGMENT and not self.generic
        if counted and self.next_header is None:
            first += 1
        bits = 8 * (end - at - EXTENSION.octets - counted)
        source = f"{IN_LINE}; its length in octets, a trailing pad added {BY_RULE}"
        return Span(first * 8, bits, name, name, self.octets, "", EXTENSION_FORMAT, source=source)


def as_read(reader: Reader, start: int, header: ExtensionNhc) -> ExtensionNhc:
    """Return a header with the octets that it was read from, from octet ``start`` to here."""
    return replace(header, sent=Sent(reader.passed(start), header))


def decode_extension(reader: Reader) -> ExtensionNhc:
    """Return the compressed extension header that comes next, expanded.

    For an IPv6 header (EID 7) only the NHC octet is read: IPHC follows. Raises ``WireError``.
    """
    start = reader.pos
    return as_read(reader, start, _decode(reader, start))


def _decode(reader: Reader, start: int) -> ExtensionNhc:
    values, rows = EXTENSION.read(reader)
    kind = EID.read(reader, rows["eid"])
    if kind == ipv6.IPV6:
        return ExtensionNhc(kind, b"", None)
    next_header = None
    if not values["NH"]:
        next_header = reader.peek("the next header's number", EXTENSION_FORMAT)
        reader.octets(
            1, "next header", ipv6.next_header_name(next_header), EXTENSION_FORMAT,
            _smaller(next_header), next_header,
        )  # fmt: skip
    if kind == ipv6.FRAGMENT:
        # it has no length field: its reserved octet goes unmodified
        words = "fragment header", "reserved, offset, id"
        body = reader.octets(FRAGMENT_BODY, *words, EXTENSION_FORMAT)
        return expanded(kind, next_header, body, start, reader.layer)
    length = reader.peek("the extension header's length", EXTENSION_FORMAT)
    reader.octets(1, "length", "octets that follow of this header", EXTENSION_FORMAT, value=length)
    body = reader.octets(
        length, EID.rows[values["eid"]].needs, "unmodified but for a trailing pad", EXTENSION_FORMAT
    )
    return expanded(kind, next_header, body, start, reader.layer)


def expanded(
    kind: int, next_header: int | None, body: bytes, start: int, layer: str
) -> ExtensionNhc:
    """Return an extension header from its ``body_of``, padded to whole 8 octets.

    Raises ``Malformed`` when only a pad could make it whole and the header has no options, or its last one is cut
    short: "using a Pad1 or PadN option" adds an option, not octets to another one.
    """
    if kind == ipv6.FRAGMENT and len(body) == FRAGMENT_BODY:
        return ExtensionNhc(kind, bytes([next_header or 0]) + body, next_header)
    padded = body + _padding(kind, 2 + len(body))
    name = EID.rows[EID_OF[kind]].needs
    if len(padded) > len(body) and _last_option(body)[1] != len(body):
        raise Malformed(
            f"the {name} lacks octets of its last option: no pad can stand behind it",
            offset=start,
            layer=layer,
            cite=EXTENSION_FORMAT,
        )
    if kind == ipv6.FRAGMENT or (2 + len(padded)) % 8 or len(padded) > LONGEST:
        raise Malformed(
            f"the {name} has {1 + len(body)} octets of 8"
            if kind == ipv6.FRAGMENT
            else f"the {name} has {2 + len(body)} octets, no multiple of 8 that its length can count, "
            "and only options headers may leave out their pad",
            offset=start,
            layer=layer,
            cite=EXTENSION_FORMAT,
        )
    # 2 octets and the padded ones are whole eights, of which the length leaves out the first
    header = bytes([next_header or 0, len(padded) // 8]) + padded
    return ExtensionNhc(kind, header, next_header)


def encode_extension(writer: Writer, kind: int, octets: bytes, *, nhc: bool) -> None:
    """Append an extension header (its whole uncompressed octets; none for IPv6) in compressed form.

    ``nhc`` says that the next header is compressed too. ``fits_extension`` must have said yes.
    """
    EXTENSION.write(writer, {"NHC id": 0b1110, "eid": EID_OF[kind], "NH": int(nhc)})
    if kind == ipv6.IPV6:
        return
    name = EID.rows[EID_OF[kind]].needs
    if not nhc:
        writer.octets(
            octets[:1], "next header", ipv6.next_header_name(octets[0]), EXTENSION_FORMAT,
            _smaller(octets[0]), octets[0],
        )  # fmt: skip
    body = body_of(kind, octets)
    if kind == ipv6.FRAGMENT:
        writer.octets(body, "fragment header", "reserved, offset, id", EXTENSION_FORMAT)
        return
    writer.octets(
        bytes([len(body)]), "length", "octets that follow of this header", EXTENSION_FORMAT,
        value=len(body),
    )  # fmt: skip
    writer.octets(body, name, "unmodified but for a trailing pad", EXTENSION_FORMAT)


def _smaller(next_header: int) -> str:
    return "0 octets if the next header is compressed too" if next_header in WITH_NHC else ""


def fits_extension(kind: int, octets: bytes) -> bool:
    """Return whether the extension header with these octets has a compressed form that comes back the same."""
    if kind == ipv6.FRAGMENT:
        return len(octets) == 8
    body = body_of(kind, octets)
    return len(body) <= _MOST and body + _padding(kind, 2 + len(body)) == octets[2:]


def _padding(kind: int, length: int) -> bytes:
    """Return the pad that a decompressor adds to an options header of ``length`` octets."""
    missing = -length % 8 if kind in _ALIGNED else 0
    if missing < 2:
        return b"\0" * missing  # Pad1
    return bytes([1, missing - 2]) + b"\0" * (missing - 2)


def _last_option(body: bytes) -> tuple[int, int]:
    """Return where the last of these options starts, and where it would end."""
    last = at = 0
    while at < len(body):
        last = at
        at += 1 if body[at] == 0 else 2 + body[at + 1] if at + 1 < len(body) else 2
    return last, at


def body_of(kind: int, octets: bytes) -> bytes:
    """Return an extension header's octets after its length, less one trailing pad of up to 7 octets.

    A fragment header has no length: all after its next header, the reserved octet too.
    """
    body = octets[1:] if kind == ipv6.FRAGMENT else octets[2:]
    if kind not in _ALIGNED:
        return body
    last, end = _last_option(body)
    if end != len(body) or not body or body[last] > 1 or len(body) - last > 7:
        return body  # no options that can be walked, or no pad at the end
    bare = body[:last]
    # "a single trailing Pad1 or PadN": what the decompressor would add must be what was there
    return bare if bare + _padding(kind, 2 + len(bare)) == body else body
