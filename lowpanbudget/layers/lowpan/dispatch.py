"""The first octet of a 6LoWPAN payload, in each page: which header it announces.

RFC 4944 section 5.1 as updated by RFC 6282 section 5, RFC 8025 (pages), RFC 8066 (ESC), RFC 8138 (page 1) and
RFC 8931 (recoverable fragments). Every octet has a name, also where no header is defined.
"""

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import RequestError
from lowpanbudget.fields import Bits, Header, Patterns

_TYPES = rfc(4944, "5.1")
_PAGES = rfc(8025, "3")
_IPHC = ("011xxxxx", "iphc", "LOWPAN_IPHC, compressed IPv6", rfc(6282, "5"))
_PAGE_SWITCH = ("1111xxxx", "page", "page switch", _PAGES)

PAGE_0 = Patterns(
    "6LoWPAN dispatch, page 0",
    _TYPES,
    (
        ("00xxxxxx", "nalp", "not a LoWPAN frame", _TYPES),
        ("01000000", "esc", "escape: an extension type octet follows", rfc(8066, "3")),
        ("01000001", "ipv6", "uncompressed IPv6", _TYPES),
        ("01000010", "hc1", "LOWPAN_HC1, the old compressed IPv6", rfc(4944, "10.1")),
        ("01000011", "dff", "LOWPAN_DFF, depth-first forwarding", rfc(6971)),
        ("01010000", "bc0", "LOWPAN_BC0, broadcast", rfc(4944, "11.1")),
        _IPHC,
        ("10xxxxxx", "mesh", "mesh header", rfc(4944, "5.2")),
        ("11000xxx", "frag1", "first fragment", rfc(4944, "5.3")),
        ("11100xxx", "fragn", "subsequent fragment", rfc(4944, "5.3")),
        ("1110100x", "rfrag", "recoverable fragment", rfc(8931, "5.1")),
        ("1110101x", "rfrag-ack", "acknowledgement of recoverable fragments", rfc(8931, "5.2")),
        _PAGE_SWITCH,
    ),
)

PAGE_1 = Patterns(
    "6LoWPAN dispatch, page 1",
    rfc(8138, "4"),
    (
        _IPHC,
        ("100xxxxx", "critical-6lorh", "critical routing header", rfc(8138, "4.2")),
        ("101xxxxx", "elective-6lorh", "elective routing header", rfc(8138, "4.1")),
        _PAGE_SWITCH,
    ),
)

_REGISTRY = rfc(8025, "6.2")
_ALL_BUT_PAGE_SWITCH = ("0xxxxxxx", "10xxxxxx", "110xxxxx", "1110xxxx")
_UNASSIGNED = Patterns(
    "6LoWPAN dispatch, pages 2 to 14",
    _REGISTRY,
    (
        *((bits, "unassigned", "unassigned", _REGISTRY) for bits in _ALL_BUT_PAGE_SWITCH),
        _PAGE_SWITCH,
    ),
)
_EXPERIMENTS = Patterns(
    "6LoWPAN dispatch, page 15",
    _REGISTRY,
    (
        *(
            (bits, "experiment", "reserved for experimental use", _REGISTRY)
            for bits in _ALL_BUT_PAGE_SWITCH
        ),
        _PAGE_SWITCH,
    ),
)

PAGES = (PAGE_0, PAGE_1, *(_UNASSIGNED,) * 13, _EXPERIMENTS)

IPV6 = Header(
    "6LoWPAN dispatch",
    _TYPES,
    (Bits("dispatch", 8, "uncompressed IPv6 follows", fixed=0x41),),
)
PAGE_SWITCH = Header(
    "page switch",
    _PAGES,
    (
        Bits("dispatch", 4, "page switch", fixed=0b1111),
        Bits(
            "page",
            4,
            {0: "page 0, the default", 1: "page 1: routing headers", 15: "page 15: experiments"}
            | dict.fromkeys(range(2, 15), "a page without any headers yet"),
        ),
    ),
)


def read_page(reader: Reader) -> int:
    """Return the page that a page-switch octet selects, passing it."""
    return PAGE_SWITCH.read(reader)[0]["page"]


def write_page(writer: Writer, page: int) -> None:
    """Append a page-switch octet; raises ``RequestError`` for a page that does not exist."""
    if not 0 <= page <= 15:
        raise RequestError(f"page {page} is not a number from 0 to 15", cite=_PAGES)
    PAGE_SWITCH.write(writer, {"dispatch": 0b1111, "page": page})
