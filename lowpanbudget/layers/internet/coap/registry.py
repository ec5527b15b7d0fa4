"""CoAP option numbers: name, format, limits, and how OSCORE protects each; content formats named.

Critical, unsafe and no-cache-key are bits of the number itself (RFC 7252 section 5.4.6):

      0   1   2   3   4   5   6   7
    +---+---+---+---+---+---+---+---+
    |           | NoCacheKey| U | C |      of the number's last octet; NoCacheKey with 111 and U = 0
    +---+---+---+---+---+---+---+---+
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from lowpanbudget.cites import Cite, rfc
from lowpanbudget.fields import Listing

Format = Literal["empty", "opaque", "uint", "string"]
BLOCK_CITE = rfc(7959, "2.2")
NUMBERS_CITE = rfc(7252, "12.2")
LONGEST_VALUE = 0xFFFF + 269  # RFC 7252 section 3.1: what an option length can count

# RFC 7252 table 9, RFC 8132 section 6, RFC 8428 section 12.3, RFC 8613 section 13.8; 60 (RFC 8949) is from memory
CONTENT_FORMATS = {
    0: "text/plain; charset=utf-8",
    40: "application/link-format",
    41: "application/xml",
    42: "application/octet-stream",
    47: "application/exi",
    50: "application/json",
    51: "application/json-patch+json",
    52: "application/merge-patch+json",
    60: "application/cbor",
    110: "application/senml+json",
    111: "application/sensml+json",
    112: "application/senml+cbor",
    113: "application/sensml+cbor",
    114: "application/senml-exi",
    115: "application/sensml-exi",
    10001: "application/oscore",
}


@dataclass(frozen=True, slots=True)
class Definition:
    """An option as its standard defines it: value lengths in octets, and how OSCORE protects it.

    ``oscore`` holds "E" (encrypted), "U" (unprotected) or both, of RFC 8613 section 4.1. ``removed_by`` says what
    would save the option.
    """

    number: int
    name: str
    format: Format
    shortest: int
    longest: int
    repeatable: bool
    cite: Cite
    oscore: str = "E"
    removed_by: str = ""
    meaning: Callable[[int], str] | None = None

    @property
    def critical(self) -> bool:
        """Return whether who does not know the option must reject the message."""
        return bool(self.number & 1)

    @property
    def unsafe(self) -> bool:
        """Return whether a proxy that does not know the option must not forward it."""
        return bool(self.number & 2)

    @property
    def no_cache_key(self) -> bool:
        """Return whether the option stays out of the cache key; told only where it is safe to forward."""
        return self.number & 0x1E == 0x1C

    @property
    def label(self) -> str:
        """Return name, number and class in words."""
        kind = "critical" if self.critical else "elective"
        return f"{self.name} ({self.number}), {kind}"


@dataclass(frozen=True, slots=True)
class Block:
    """The value of a block option: block number, whether more follow, size exponent.

     0 1 2 3 4 5 6 7
    +-+-+-+-+-+-+-+-+
    |  NUM  |M| SZX |      NUM in 4, 12 or 20 bits
    +-+-+-+-+-+-+-+-+
    """

    num: int
    more: bool
    szx: int

    @property
    def size(self) -> int:
        """Return the block size in octets, 16 to 1024; exponent 7 is reserved and would be 2048."""
        return 16 << self.szx

    @property
    def offset(self) -> int:
        """Return where in the body the block begins, in octets."""
        return self.num * self.size

    def __int__(self) -> int:
        return self.num << 4 | int(self.more) << 3 | self.szx

    def __str__(self) -> str:
        """Return NUM/M/size, as RFC 7959 section 3 writes it."""
        return f"{self.num}/{int(self.more)}/{self.size}"

    @classmethod
    def of(cls, number: int) -> "Block":
        """Return the block that an option value stands for."""
        return cls(number >> 4, bool(number & 8), number & 7)


def _observe(value: int) -> str:
    return {0: "register, or notification 0", 1: "deregister, or notification 1"}.get(
        value, f"notification {value}"
    )


def _content_format(value: int) -> str:
    return CONTENT_FORMATS.get(value, "a content format not listed here")


def _no_response(value: int) -> str:
    """RFC 7967 section 2.1: bit n-1 suppresses the responses n.xx."""
    classes = [f"{n}.xx" for n in range(1, 9) if value >> n - 1 & 1]
    return f"no interest in {', '.join(classes)}" if classes else "interested in all responses"


def _block(value: int) -> str:
    block = Block.of(value)
    size = "a reserved size" if block.szx == 7 else f"{block.size} octets"
    return f"block {block.num} of {size}, {'more follow' if block.more else 'no more follow'}"


def _octets(value: int) -> str:
    return f"{value} octets"


def _seconds(value: int) -> str:
    return f"{value} s"


# Echo, Request-Tag, Q-Block, Hop-Limit and EDHOC: number, format, limits and class from memory; all else read there
_ROWS = (
    Definition(1, "If-Match", "opaque", 0, 8, True, rfc(7252, "5.10.8.1")),
    Definition(
        3, "Uri-Host", "string", 1, 255, False, rfc(7252, "5.10.1"), "U",
        "absent means the destination address",
    ),
    Definition(4, "ETag", "opaque", 1, 8, True, rfc(7252, "5.10.6"), "E", "a shorter tag"),
    Definition(5, "If-None-Match", "empty", 0, 0, False, rfc(7252, "5.10.8.2")),
    Definition(6, "Observe", "uint", 0, 3, False, rfc(7641, "2"), "EU", "", _observe),
    Definition(
        7, "Uri-Port", "uint", 0, 2, False, rfc(7252, "5.10.1"), "U",
        "absent means the destination port",
    ),
    Definition(8, "Location-Path", "string", 0, 255, True, rfc(7252, "5.10.7")),
    Definition(9, "OSCORE", "opaque", 0, 255, False, rfc(8613, "2"), "U"),
    Definition(
        11, "Uri-Path", "string", 0, 255, True, rfc(7252, "5.10.1"), "E", "a shorter path",
    ),
    Definition(
        12, "Content-Format", "uint", 0, 2, False, rfc(7252, "5.10.3"), "E",
        "absent leaves the format to what both ends know", _content_format,
    ),
    Definition(
        14, "Max-Age", "uint", 0, 4, False, rfc(7252, "5.10.5"), "EU", "absent means 60 s",
        _seconds,
    ),
    Definition(
        15, "Uri-Query", "string", 0, 255, True, rfc(7252, "5.10.1"), "E", "a shorter query",
    ),
    Definition(16, "Hop-Limit", "uint", 1, 1, False, rfc(8768, "3"), "U"),
    Definition(
        17, "Accept", "uint", 0, 2, False, rfc(7252, "5.10.4"), "E",
        "absent means that any format will do", _content_format,
    ),
    Definition(19, "Q-Block1", "uint", 0, 3, False, rfc(9177, "4.1"), "EU", "", _block),
    Definition(20, "Location-Query", "string", 0, 255, True, rfc(7252, "5.10.7")),
    Definition(21, "EDHOC", "empty", 0, 0, False, rfc(9668, "3.1"), "U"),
    Definition(23, "Block2", "uint", 0, 3, False, rfc(7959, "2.1"), "EU", "", _block),
    Definition(27, "Block1", "uint", 0, 3, False, rfc(7959, "2.1"), "EU", "", _block),
    Definition(
        28, "Size2", "uint", 0, 4, False, rfc(7959, "4"), "EU", "the size is an estimate only",
        _octets,
    ),
    Definition(31, "Q-Block2", "uint", 0, 3, True, rfc(9177, "4.1"), "EU", "", _block),
    Definition(35, "Proxy-Uri", "string", 1, 1034, False, rfc(7252, "5.10.2"), "U"),
    Definition(39, "Proxy-Scheme", "string", 1, 255, False, rfc(7252, "5.10.2"), "U"),
    Definition(
        60, "Size1", "uint", 0, 4, False, rfc(7252, "5.10.9"), "EU",
        "the size is an estimate only", _octets,
    ),
    Definition(252, "Echo", "opaque", 1, 40, False, rfc(9175, "2.2"), "EU"),
    Definition(258, "No-Response", "uint", 0, 1, False, rfc(7967, "2"), "EU", "", _no_response),
    Definition(292, "Request-Tag", "opaque", 0, 8, True, rfc(9175, "3.2"), "EU"),
)  # fmt: skip
DEFINITIONS = {row.number: row for row in _ROWS}
BY_NAME = {row.name.lower(): row for row in _ROWS}
RESERVED_NUMBERS = frozenset({0, 128, 132, 136, 140})  # RFC 7252 table 7
BLOCKS = frozenset({19, 23, 27, 31})
OBSERVE, OSCORE, MAX_AGE, PROXY_URI = 6, 9, 14, 35


def definition(number: int) -> Definition:
    """Return the definition of an option number; one that no table row has is opaque and of any length.

    "Options that are unknown or for which OSCORE processing is not defined SHALL be processed as Class E" (RFC 8613).
    """
    known = DEFINITIONS.get(number)
    if known is not None:
        return known
    name = "reserved option" if number in RESERVED_NUMBERS else "unknown option"
    return Definition(number, name, "opaque", 0, LONGEST_VALUE, True, rfc(7252, "12.2"))


LISTED = Listing(
    "CoAP options",
    NUMBERS_CITE,
    ("number", "name", "format", "octets", "if unknown", "to forward", "clause"),
    tuple(
        (
            str(row.number),
            row.name,
            row.format,
            f"{row.shortest} to {row.longest}",
            "critical" if row.critical else "elective",
            "unsafe" if row.unsafe else "safe",
            str(row.cite),
        )
        for row in _ROWS
    ),
    "Options of CoAP.",
)
