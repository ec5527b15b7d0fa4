"""CoAP option numbers: name, format, limits, and how OSCORE protects each; content formats named.

Critical, unsafe and no-cache-key are bits of the number itself (RFC 7252 section 5.4.6):

      0   1   2   3   4   5   6   7
    +---+---+---+---+---+---+---+---+
    |           | NoCacheKey| U | C |      of the number's last octet; NoCacheKey with 111 and U = 0
    +---+---+---+---+---+---+---+---+
"""

from collections.abc import Mapping
from functools import lru_cache
from typing import Literal

from lowpanbudget.cites import Cite, rfc
from lowpanbudget.declared import as_whole
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.fields import (
    Bits,
    Header,
    Limited,
    Listing,
    NoValue,
    Order,
    ShortNumber,
    TextString,
)
from lowpanbudget.layers.internet.coap.block import BlockNumber, block_text
from lowpanbudget.values import dataclass

NUMBERS_CITE = rfc(7252, "12.2")
LONGEST_VALUE = 0xFFFF + 269  # RFC 7252 section 3.1: what an option length can count

# RFC 7252 table 9, RFC 8132 section 6, RFC 8428 section 12.5, RFC 8613 section 13.8; 60 (RFC 8949) is from memory
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
    310: "application/senml+xml",
    311: "application/sensml+xml",
    10001: "application/oscore",
}


_NUMBER = Header(
    "option number",
    rfc(7252, "5.4.6"),
    (Bits("the rest", 11), Bits("NoCacheKey", 3), Bits("unsafe", 1), Bits("critical", 1)),
)


@lru_cache(maxsize=256)
def _bits_of(number: int) -> Mapping[str, int]:
    """Return what the bits of an option's number say; of most numbers it is asked for every option."""
    return _NUMBER.split(number)


@dataclass(frozen=True, slots=True)
class OptionDefinition:
    """An option as its standard defines it: its number, its value with name, format and limits, and its protection.

    ``oscore`` holds "E" (encrypted), "U" (unprotected) or both, of RFC 8613 section 4.1. ``only_in``: what alone it is
    defined for, requests or responses; empty: both, or not known here. ``never``: values that it may not have.
    """

    number: int
    value: Limited
    repeatable: bool
    cite: Cite
    oscore: str = "E"
    only_in: Literal["request", "response", ""] = ""
    never: tuple[bytes, ...] = ()
    order: Order = "big"

    @property
    def name(self) -> str:
        """Return the option's name."""
        return self.value.name

    def octets_from(self, _key: str, _part: object) -> int:
        """Return 0: no field stands before an option's value."""
        return 0

    @property
    def critical(self) -> bool:
        """Return whether who does not know the option must reject the message."""
        return bool(_bits_of(self.number)["critical"])

    @property
    def unsafe(self) -> bool:
        """Return whether a proxy that does not know the option must not forward it."""
        return bool(_bits_of(self.number)["unsafe"])

    @property
    def no_cache_key(self) -> bool:
        """Return whether the option stays out of the cache key; told only where it is safe to forward."""
        bits = _bits_of(self.number)
        return bits["NoCacheKey"] == 0b111 and not bits["unsafe"]

    @property
    def label(self) -> str:
        """Return name, number and class in words."""
        kind = "critical" if self.critical else "elective"
        return f"{self.name} ({self.number}), {kind}"


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


def _octets(value: int) -> str:
    return f"{value} octets"


def _seconds(value: int) -> str:
    return f"{value} s"


_DOTS = (b".", b"..")  # a path is resolved before it becomes options (RFC 7252 section 6.4, step 2)
# Echo, Request-Tag, Q-Block, Hop-Limit and EDHOC: number, format, limits and class from memory; all else read there
_ROWS = (
    OptionDefinition(1, Limited("If-Match", 0, 8), True, rfc(7252, "5.10.8.1"), only_in="request"),
    OptionDefinition(
        3,
        TextString("Uri-Host", 1, 255, removed_by="absent means the destination address"),
        False,
        rfc(7252, "5.10.1"),
        "U",
        "request",
    ),
    OptionDefinition(
        4, Limited("ETag", 1, 8, removed_by="a shorter tag"), True, rfc(7252, "5.10.6")
    ),
    OptionDefinition(5, NoValue("If-None-Match"), False, rfc(7252, "5.10.8.2"), only_in="request"),
    OptionDefinition(6, ShortNumber("Observe", 0, 3, _observe), False, rfc(7641, "2"), "EU"),
    OptionDefinition(
        7,
        ShortNumber("Uri-Port", 0, 2, removed_by="absent means the destination port"),
        False,
        rfc(7252, "5.10.1"),
        "U",
        "request",
    ),
    OptionDefinition(
        8,
        TextString("Location-Path", 0, 255),
        True,
        rfc(7252, "5.10.7"),
        only_in="response",
        never=_DOTS,
    ),
    OptionDefinition(9, Limited("OSCORE", 0, 255), False, rfc(8613, "2"), "U"),
    OptionDefinition(
        11,
        TextString("Uri-Path", 0, 255, removed_by="a shorter path"),
        True,
        rfc(7252, "5.10.1"),
        only_in="request",
        never=_DOTS,
    ),
    OptionDefinition(
        12,
        ShortNumber(
            "Content-Format",
            0,
            2,
            _content_format,
            removed_by="absent leaves the format to what both ends know",
        ),
        False,
        rfc(7252, "5.10.3"),
    ),
    OptionDefinition(
        14,
        ShortNumber("Max-Age", 0, 4, _seconds, removed_by="absent means 60 s"),
        False,
        rfc(7252, "5.10.5"),
        "EU",
        "response",
    ),
    OptionDefinition(
        15,
        TextString("Uri-Query", 0, 255, removed_by="a shorter query"),
        True,
        rfc(7252, "5.10.1"),
        only_in="request",
    ),
    OptionDefinition(16, ShortNumber("Hop-Limit", 1, 1), False, rfc(8768, "3"), "U"),
    OptionDefinition(
        17,
        ShortNumber(
            "Accept", 0, 2, _content_format, removed_by="absent means that any format will do"
        ),
        False,
        rfc(7252, "5.10.4"),
        only_in="request",
    ),
    OptionDefinition(19, BlockNumber("Q-Block1", 0, 3, block_text), False, rfc(9177, "4.1"), "EU"),
    OptionDefinition(
        20, TextString("Location-Query", 0, 255), True, rfc(7252, "5.10.7"), only_in="response"
    ),
    OptionDefinition(21, NoValue("EDHOC"), False, rfc(9668, "3.1"), "U"),
    OptionDefinition(23, BlockNumber("Block2", 0, 3, block_text), False, rfc(7959, "2.1"), "EU"),
    OptionDefinition(27, BlockNumber("Block1", 0, 3, block_text), False, rfc(7959, "2.1"), "EU"),
    OptionDefinition(
        28,
        ShortNumber("Size2", 0, 4, _octets, removed_by="the size is an estimate only"),
        False,
        rfc(7959, "4"),
        "EU",
    ),
    OptionDefinition(31, BlockNumber("Q-Block2", 0, 3, block_text), True, rfc(9177, "4.1"), "EU"),
    OptionDefinition(
        35, TextString("Proxy-Uri", 1, 1034), False, rfc(7252, "5.10.2"), "U", "request"
    ),
    OptionDefinition(
        39, TextString("Proxy-Scheme", 1, 255), False, rfc(7252, "5.10.2"), "U", "request"
    ),
    OptionDefinition(
        60,
        ShortNumber("Size1", 0, 4, _octets, removed_by="the size is an estimate only"),
        False,
        rfc(7252, "5.10.9"),
        "EU",
    ),
    OptionDefinition(252, Limited("Echo", 1, 40), False, rfc(9175, "2.2"), "EU"),
    OptionDefinition(
        258,
        ShortNumber("No-Response", 0, 1, _no_response),
        False,
        rfc(7967, "2"),
        "EU",
        "request",
    ),
    OptionDefinition(292, Limited("Request-Tag", 0, 8), True, rfc(9175, "3.2"), "EU"),
)
DEFINITIONS = {row.number: row for row in _ROWS}
BY_NAME = {row.name.lower(): row for row in _ROWS}
RESERVED_NUMBERS = frozenset({0, 128, 132, 136, 140})  # RFC 7252 table 7
ETAG, OBSERVE, OSCORE, URI_PATH, MAX_AGE, URI_QUERY = 4, 6, 9, 11, 14, 15
BLOCK2, BLOCK1, PROXY_URI, ECHO = 23, 27, 35, 252


def named(option: int | str) -> OptionDefinition:
    """Return the definition of an option by its number or name; ``RequestError`` for a name that no option has."""
    number = as_whole(option)
    if number is not None:
        return definition(number)
    known = BY_NAME.get(str(option).lower())
    if known is None:
        raise RequestError(
            f"no option is named {repeated(option)}",
            cite=NUMBERS_CITE,
            hint="Known: " + ", ".join(row.name for row in _ROWS),
        )
    return known


@lru_cache(maxsize=256)
def definition(number: int) -> OptionDefinition:
    """Return the definition of an option number; one that no table row has is opaque and of any length.

    "Options that are unknown or for which OSCORE processing is not defined SHALL be processed as Class E" (RFC 8613).
    """
    known = DEFINITIONS.get(number)
    if known is not None:
        return known
    name = "reserved option" if number in RESERVED_NUMBERS else "unknown option"
    return OptionDefinition(number, Limited(name, 0, LONGEST_VALUE), True, NUMBERS_CITE)


LISTED = Listing(
    "CoAP options",
    NUMBERS_CITE,
    ("number", "name", "format", "octets", "if unknown", "to forward", "clause"),
    tuple(
        (
            str(row.number),
            row.name,
            row.value.format,
            row.value.size,
            "critical" if row.critical else "elective",
            "unsafe" if row.unsafe else "safe",
            str(row.cite),
        )
        for row in _ROWS
    ),
    "Options of CoAP.",
)
