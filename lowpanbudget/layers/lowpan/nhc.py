"""LOWPAN_NHC: compressed next headers (RFC 6282 section 4).

The UDP header:

      0   1   2   3   4   5   6   7
    +---+---+---+---+---+---+---+---+
    | 1 | 1 | 1 | 1 | 0 | C |   P   |    then in line: ports, checksum
    +---+---+---+---+---+---+---+---+
"""

from functools import partial

from lowpanbudget.bits import Reader, Span
from lowpanbudget.cites import rfc
from lowpanbudget.fields import (
    BY_RULE,
    IN_LINE,
    LINE,
    RULE,
    Bits,
    Choice,
    Header,
    Patterns,
    Restore,
    Row,
    SelectedRows,
    Use,
    WordForm,
    restored_fields,
    ruled,
    stated_by,
)
from lowpanbudget.fields.compiled import Compiled
from lowpanbudget.fields.source import Function, FunctionSource
from lowpanbudget.layers.internet import udp
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.values import FrozenDict, dataclass, field

UDP_FORMAT = rfc(6282, "4.3.3")
# "a particular range of ports number (0xf0b0 to 0xf0bf)", a compression "inherited from [RFC4944]"
KNOWN_PORT = 0xF0B0


def _in_line_port(elided: int) -> str:
    prefix = f"{KNOWN_PORT >> (16 - elided):#x}" if elided else ""
    return f"last {16 - elided} bits; the first {elided} are {prefix}" if elided else "all 16 bits"


# --- which header a first octet announces ------------------------------------------------------------

KINDS = Patterns(
    "LOWPAN_NHC",
    rfc(6282, "4.1"),
    (
        ("1110xxxx", "extension", "IPv6 extension header", rfc(6282, "4.2")),
        ("11110xxx", "udp", "UDP header", UDP_FORMAT),
        ("11010xxx", "udp-ghc", "UDP with generic header compression", rfc(7400, "3.1")),
        ("11011111", "icmpv6-ghc", "ICMPv6 with generic header compression", rfc(7400, "3.1")),
        # figure 4 draws three bits of EID, section 4 registers two
        ("10110xxx", "extension-ghc", "extension header, generic compression", rfc(7400, "4")),
    ),
)

# --- UDP: each form of the ports elides a prefix of each --------------------------------------------


def _restores_ports(elided: tuple[int, int]) -> Restore:
    """Return what restores both ports from the bits that are left of them."""
    source_width, width = (16 - bits for bits in elided)
    source = KNOWN_PORT >> source_width << source_width
    destination, mask = KNOWN_PORT >> width << width, (1 << width) - 1

    def restore(octets: bytes, _env: object) -> tuple[int, int]:
        number = int.from_bytes(octets, "big")
        return source | number >> width, destination | number & mask

    return restore


def _fit_ports(value: tuple[int, int], _env: object, *, elided: tuple[int, int]) -> bytes | None:
    number = 0
    for port, bits in zip(value, elided, strict=True):
        width = 16 - bits
        if port >> width != KNOWN_PORT >> width:
            return None
        number = number << width | (port & ((1 << width) - 1))
    return number.to_bytes((32 - sum(elided)) // 8, "big")


def _port_use(name: str, elided: int) -> Use:
    if not elided:
        return Use(name, (name,))
    prefix = f"{KNOWN_PORT >> (16 - elided):#x} {BY_RULE}"
    return Use(name, (name,), f"{prefix}, the rest {IN_LINE}", (RULE, LINE))


PORTS = Choice(
    "ports",
    "port form (P)",
    2,
    tuple(
        Row(
            code,
            (32 - sum(elided)) // 8,
            needs,
            rfc(6282, "4.3.1"),
            partial(_fit_ports, elided=elided),
            _restores_ports(elided),
            (
                Bits("source port", 16 - elided[0], _in_line_port(elided[0])),
                Bits("destination port", 16 - elided[1], _in_line_port(elided[1])),
            ),
            uses=tuple(
                _port_use(f"{which} port", bits)
                for which, bits in zip(("source", "destination"), elided, strict=True)
            ),
        )
        for code, elided, needs in (
            (0, (0, 0), "any ports"),
            (1, (0, 8), "the destination port is in 0xf000-0xf0ff"),
            (2, (8, 0), "the source port is in 0xf000-0xf0ff"),
            (3, (12, 12), "both ports are in 0xf0b0-0xf0bf"),
        )
    ),
)

CHECKSUM = Choice(
    "checksum",
    "checksum form (C)",
    1,
    (
        Row(
            0,
            2,
            "the checksum goes in line",
            rfc(6282, "4.3.2"),
            lambda value, _env: None if value is None else value.to_bytes(2, "big"),
            lambda octets, _env: int.from_bytes(octets, "big"),
            (Bits("checksum", 16, "over pseudo-header, header and data"),),
            uses=(Use("checksum", ("checksum",)),),
            free="big",
        ),
        Row(
            1,
            0,
            "the upper layer permits it and another integrity check covers the same octets",
            rfc(6282, "4.3.2"),
            lambda value, _env: b"" if value is None else None,
            lambda _octets, _env: None,
            uses=(Use("checksum", (), "computed over the restored datagram", (RULE,)),),
        ),
    ),
)

UDP = Header(
    "UDP NHC",
    UDP_FORMAT,
    (Bits("NHC id", 5, "LOWPAN_NHC for UDP", fixed=0b11110), CHECKSUM, PORTS),
)


@stated_by(UDP)
@dataclass(frozen=True, slots=True)
class UdpNhc(SelectedRows):
    """A compressed UDP header read; ``checksum`` is None when it was elided and must be computed.

    ``generic``: its data came as byte code (RFC 7400).
    """

    source_port: int
    destination_port: int
    checksum: int | None
    rows: dict[str, Row] = field(repr=False)
    generic: bool = False

    def restored(self, header: Udp, at: int, length_from: str) -> tuple[Span, ...]:
        """Return the fields of ``header``, the UDP header as it was restored from this one at octet ``at``."""
        layer, ports = udp.HEADER.name, self.rows["ports"]
        where = at + UDP.octets
        pair = (header.source_port, header.destination_port)
        checksum = self.rows["checksum"]
        return (
            *restored_fields(layer, PORTS, ports, where, pair),
            ruled(layer, "length", header.length, at, length_from, UDP_FORMAT),
            *restored_fields(layer, CHECKSUM, checksum, where + ports.inline, (header.checksum,)),
        )


def decode_udp(reader: Reader, header: Header = UDP) -> UdpNhc:
    """Return the UDP header that comes next under ``header``: that of RFC 7400 has the same choices.

    Raises ``WireError``.
    """
    compiled: UdpNhc | None = _COMPILED.read(reader) if header is UDP else None
    if compiled is not None:
        return compiled
    _, rows = header.read(reader)
    source, destination = PORTS.read(reader, rows["ports"])
    checksum = CHECKSUM.read(reader, rows["checksum"])
    return UdpNhc(source, destination, checksum, rows, generic=header is not UDP)


def _compile(word: int, at: int) -> Function:
    """Return a function that reads a UDP header with this first octet as ``decode_udp`` does."""
    source = FunctionSource("udp", UDP.name, at)
    return source.function(take_up(source, word))


def take_up(source: FunctionSource, word: int) -> str:
    """Take up a UDP header with this first octet; return its value."""
    codes = UDP.split(word)
    rows = {choice.name: choice.rows[codes[choice.name]] for choice in UDP.choices}
    source.layer = UDP.name
    source.word(UDP, word)
    ports, checksum = source.row(PORTS, rows["ports"]), source.row(CHECKSUM, rows["checksum"])
    return source.value(
        UdpNhc, source_port=f"{ports}[0]", destination_port=f"{ports}[1]", checksum=checksum,
        rows=source.bind(FrozenDict(rows)),
    )  # fmt: skip


_COMPILED = Compiled(UDP, _compile)


def choose_udp(ports: tuple[int, int], checksum: int | None, header: Header = UDP) -> WordForm:
    """Return the shortest form; ``checksum`` None elides it (the caller has permission and has verified it)."""
    chosen = (PORTS, PORTS.best(ports), ports), (CHECKSUM, CHECKSUM.best(checksum), checksum)
    return WordForm(header, chosen)
