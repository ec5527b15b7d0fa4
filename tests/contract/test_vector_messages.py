"""ICMPv6, neighbour discovery, RPL and extension headers of the vectors, as the spans of frames that carry them.

A key of ``fields``, ``options``, ``metrics`` or ``security`` is the name of a span; keys that stand for several fields
or for none are told in ``expected``.
"""

from collections.abc import Iterator
from ipaddress import IPv6Address
from typing import Any

import pytest
from contract import air
from contract.vectors import (
    CARRIED,
    DESTINATION,
    SOURCE,
    Case,
    behind,
    carried,
    framed,
    in_order,
    load,
    named,
    octets,
    plain,
    tiles,
    word,
)

from lowpanbudget import Env, compress, decompress

ALL = load("rfc4443", "rfc4861", "rfc6775", "rfc8505", "rfc6550", "rfc6553", "rfc6554")
ALL = [case for case in ALL if {"message", "header", "container"} & case.keys()]
READ = [case for case in ALL if case["result"] != "invalid"]
INVALID = [case for case in ALL if case["result"] == "invalid"]
ICMPV6, NO_NEXT_HEADER = 58, 59
BASE = CARRIED + 40
# an otherwise empty DIO that carries a metric container
CARRIER = "9b 01 00 00 1e f0 01 80 88 00 00 00 20 01 0d b8 00 0a 00 00 00 00 00 ff fe 00 00 01"
# what an extension header announces must be there to be read: the least of UDP, of an echo request
NEXT = {17: "f0b1 f0b2 0008 0000", ICMPV6: "8000 0000 0000 0000"}


def datagram_of(case: Case) -> bytes:
    source = IPv6Address(case.get("source_address", "2001:db8::1"))
    destination = case.get("destination_address", case.get("destination", "2001:db8::2"))
    ends = source, IPv6Address(destination)
    if "header" in case:
        header = octets(case, "header")
        rest = bytes.fromhex(
            NEXT.get(header[0], "") if header and case["result"] != "invalid" else ""
        )
        return air.ipv6(*ends, case["number"], header + rest, 255)
    if "message" in case:
        return air.ipv6(*ends, ICMPV6, octets(case, "message"), 255)
    container = octets(case, "container")
    whole = bytes.fromhex(CARRIER) + bytes([2, len(container)]) + container
    checksum = air.checksum(*ends, ICMPV6, whole).to_bytes(2, "big")
    return air.ipv6(*ends, ICMPV6, whole[:2] + checksum + whole[4:], 255)


def expected(table: dict[str, Any]) -> Iterator[tuple[str, Any]]:
    """Yield (name of a span, its value) in the order of the octets as far as names repeat."""
    for name, value in table.items():
        if name in ("items", "metrics"):
            for item in value:
                yield from expected(item)
        elif name == "octets":  # of padding: two of them are type and length
            yield "length", value - 2
        elif name == "offset":  # of an IPv6 fragment, in units of 8 octets (RFC 8200 section 4.5)
            yield "fragmentoffset", value // 8
        elif name == "addresses":
            yield from (("addresses", address) for address in value)
        elif name == "prefix" and ("address" in table or value.endswith("/0")):
            continue  # the address and its length are there; a prefix of no bits has no octets
        elif name == "prefix" and table["kind"] == "PrefixInformation":
            if "prefix_length" not in table:
                yield "prefixlength", int(value.partition("/")[2])
        elif name == "version" and "version_low" in table:
            continue  # its two halves are there
        elif name not in ("kind", "removes", "lifetime_s") and value not in ("", []):
            yield word(name), plain(value)


@pytest.mark.parametrize("case", named(READ))
def test_fields_are_spans(case: Case) -> None:
    datagram = datagram_of(case)
    frame = carried(datagram)
    assert frame.fault is None
    assert [n for n in frame.notices if n.name == "payload-unreadable"] == []
    assert frame.datagram.octets == datagram
    there = behind(frame.spans, BASE)
    assert all(span.layer and span.name for span in there)
    wanted: dict[str, list[Any]] = {}
    fields = {k: v for k, v in case.get("fields", {}).items() if k != "code"}
    tables = [
        case.get("security", {}),
        fields,
        case.get("inner_fields", {}),
        *case.get("options", []),
    ]
    for table in [*tables, *case.get("metrics", [])]:
        for name, value in expected(table):
            wanted.setdefault(name, []).append(value)
    for name, values in wanted.items():
        values_there = [plain(span.value) for span in there if word(span.name) == name]
        assert in_order(values, values_there), (name, values, values_there)


@pytest.mark.parametrize("case", named(READ))
def test_what_spans_mean(case: Case) -> None:
    there = behind(carried(datagram_of(case)).spans, BASE)
    for name, words in case.get("says", {}).items():
        assert words in [span.meaning for span in there if span.name == name]
    if "header" not in case:
        kind, code, checksum = there[:3]
        message = datagram_of(case)[40:]
        assert [kind.value, code.value] == [message[0], message[1]]
        assert checksum.value == int.from_bytes(message[2:4], "big")
        assert case.get("name", kind.meaning) in (kind.meaning, code.meaning)
        assert case.get("code_means", code.meaning) == code.meaning
    for option in case.get("options", []):
        if "lifetime_s" in option:
            assert f"{option['lifetime_s']} s" in [span.meaning for span in there]


@pytest.mark.parametrize("case", named([case for case in READ if "hops" in case]))
def test_addresses_of_a_route_end_as_its_hops(case: Case) -> None:
    there = behind(carried(datagram_of(case)).spans, BASE)
    ends = [span.value for span in there if span.name.startswith("address ")]
    for hop, end in zip(case["hops"], ends, strict=True):
        assert IPv6Address(hop).packed.endswith(end)


@pytest.mark.parametrize("case", named(READ))
def test_the_same_behind_a_compressed_header(case: Case) -> None:
    datagram = datagram_of(case)
    env = Env(SOURCE, DESTINATION)
    packed = compress(datagram, env)
    assert tiles(packed.spans, len(packed.octets) * 8)
    assert decompress(packed.octets, env).octets == datagram
    if "header" not in case:
        frame = framed(packed.octets, env)
        length = len(frame.octets) - len(datagram) + 40
        assert [span[1:6] for span in behind(frame.spans, length)] == [
            span[1:6] for span in behind(carried(datagram).spans, BASE)
        ]


@pytest.mark.parametrize("case", named(INVALID))
def test_what_cannot_be_read_is_noticed_where_it_is(case: Case) -> None:
    """The datagram is whole; what it holds is not."""
    datagram = datagram_of(case)
    frame = carried(datagram)
    assert frame.fault is None
    assert frame.datagram.octets == datagram
    (notice,) = [notice for notice in frame.notices if notice.name == "payload-unreadable"]
    assert notice.offset == BASE + case["offset"]
    assert notice.cite is not None
    assert notice.text
