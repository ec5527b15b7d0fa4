"""Checksums by another formula than that of RFC 8200 section 8.1, made here word by word (RFC 1071 section 1)."""

import struct
from functools import partial
from ipaddress import IPv6Address

from findings import air
from findings.air import FAR_NODE, NODE, PREFIX, Capture
from findings.cases_compression import under
from findings.cases_further import Further
from findings.judge import Case, Told

NAME = "checksum-computed-otherwise"
SOURCE, TO = under(PREFIX)
LOCAL = air.address("fe80::", NODE)
OF_EUI = air.address(PREFIX, FAR_NODE)


def words_of(octets: bytes) -> int:
    """The sum of its words, an odd octet at the end with a zero behind it (RFC 1071 section 4.1)."""
    return sum(one << 8 * (place % 2 == 0) for place, one in enumerate(octets))


def folded(total: int) -> int:
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total


def checksum(how: str, covered: bytes, data: bytes, source: IPv6Address) -> int:
    longer = 40 if how == "longer" else 0
    total = words_of(air.pseudo(source, TO, len(covered) + longer, 17)) + words_of(covered)
    total += {
        "payload": -8,
        "ICMPv6": 58 - 17,
        "turned": (12 << 8) - 12,
        "none": -17,
        "first octet": 17 * 255,
    }.get(how, 0)
    if how == "bare":
        total = words_of(covered)
    if how == "padded":
        total += data[-1] - (data[-1] << 8)
    right = ~folded(total) & 0xFFFF
    ends = {
        "not inverted": folded(total),
        "no carries": ~total & 0xFFFF,
        "flipped": right ^ 0x0100,
        "negated": -folded(total) & 0xFFFF,
    }
    return ends.get(how, right)


def formed(
    how: str = "", source: IPv6Address = SOURCE, octets: int = 4, device: bytes | None = None
) -> Capture:
    """Four readings whose checksums are made so, over this source."""
    frames = []
    for number in range(4):
        data = bytes([37 * number + 5]) * octets
        head = struct.pack(">HHHH", *air.PORTS, 8 + len(data), 0)
        made = checksum(how, head + data, data, source)
        segment = head[:6] + struct.pack(">H", made) + data
        frames.append(air.frame(air.ip(SOURCE, TO, 17, segment), number))
    return Capture([*frames], devices={} if device is None else {0x17: device})


def told(what: str, tried: int, *sums: str, text: str = "") -> Told:
    """What is said of four checksums, by those that are carried and those that are right."""
    evidence = tuple(
        f"checksum carried 0x{one[:4]}, computed here 0x{one[-4:]}; {tried} readings tried"
        for one in sums
    )
    cause = f"the checksum is right when {text or what}"
    return Told("failure", f"0x0017: {what}", cause, evidence, (1, 2, 3, 4), 4)


FORMULAS_CASES: dict[str, Case] = {
    NAME: Case(
        partial(formed, "bare"),
        formed,
        # 14 of addresses and length, the octets exchanged, 1 to 4 octets left out, 4 formulas
        told("no pseudo-header is counted", 23, "1485 badb", "ca3a 7091", "7ff0 2647", "35a6 dbfc"),
    )
}

FORMULAS_FURTHER = (
    Further(
        NAME,
        partial(formed, "not inverted"),
        told("it is not inverted at the end", 23, "4524 badb", "8f6e 7091", "d9b8 2647", "2403 dbfc"),
    ),
    Further(
        NAME,
        partial(formed, "no carries"),
        told(
            "the carries out of its 16 bits are not added to it", 23,
            "badf badb", "7095 7091", "264b 2647", "dc01 dbfc",
        ),
    ),
    Further(
        NAME,
        partial(formed, "longer"),
        told(
            "the length in the pseudo-header counts the 40 octets of the IPv6 header too", 23,
            "bab3 badb", "7069 7091", "261f 2647", "dbd4 dbfc",
        ),
    ),
    # 5 octets that may be left out, and one formula more
    Further(
        NAME,
        partial(formed, "padded", octets=5),
        told(
            "the odd octet at the end is the second of its word, not the first", 25,
            "bad4 b5d9", "7065 468f", "25f6 d744", "db86 67fa",
        ),
    ),
    # 2001 + 0db8 + 0001 is 0x2dba, fe80 is 0x2dba and 0xd0c6: whoever has that in one address has it in either
    Further(
        NAME,
        partial(formed, source=LOCAL),
        told(
            "the link-local address", 14, "ea14 badb", "9fca 7091", "5580 2647", "0b36 dbfc",
            text="the source is fe80::ff:fe00:17 (the link-local address) or the destination is fe80::ff:fe00:1 "
            "(the link-local address)",
        ),
    ),
    Further(
        NAME,
        partial(formed, source=OF_EUI, device=FAR_NODE),
        told(
            "its identifier is that of the EUI-64, not of the short address", 15,
            "a97d badb", "5f33 7091", "14e9 2647", "ca9e dbfc",
            text="the source is 2001:db8:1:0:5e:1000:0:17 (its identifier is that of the EUI-64, not of the short "
            "address)",
        ),
    ),
    # badb, 7091 and 2647 have that bit cleared, dbfc has it set: no number that is added to all does that
    Further(
        NAME,
        partial(formed, "flipped"),
        Told(
            "failure",
            "0x0017: bit 0x0100 of it, or of a word that it covers, is inverted",
            "the checksum is right when bit 0x0100 of it, or of a word that it covers, is inverted",
            (
                "in all 4 wrong ones, set in some and cleared in others",
                "checksum carried 0xbbdb, computed 0xbadb; 23 readings tried",
                "checksum carried 0x7191, computed 0x7091; 23 readings tried",
                "checksum carried 0x2747, computed 0x2647; 23 readings tried",
            ),
            (1, 2, 3, 4),
            4,
        ),
    ),
)  # fmt: skip
