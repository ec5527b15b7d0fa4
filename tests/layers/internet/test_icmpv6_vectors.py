"""Every vector of ICMPv6, neighbour discovery, RPL and IPv6 extension headers, both ways, and the figures of RFC 7400.

The values were written from the figures of the standards, the checksums by a plain sum (also here, ``plain_checksum``).
"""

from ipaddress import IPv6Address, IPv6Network
from pathlib import Path
from typing import Any

import pytest
from vector_files import document

from lowpanbudget import errors
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet import (
    extension,
    icmpv6,
    source_route,
)
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd import lowpan_options as nd_lowpan
from lowpanbudget.layers.internet.nd import messages as nd
from lowpanbudget.layers.internet.nd import options as nd_options
from lowpanbudget.layers.internet.rpl import messages as rpl
from lowpanbudget.layers.internet.rpl import metrics as rpl_metrics
from lowpanbudget.layers.internet.rpl import options as rpl_options
from lowpanbudget.layers.internet.rpl import security as rpl_security
from lowpanbudget.layers.internet.source_route import SourceRoute

VECTORS = Path(__file__).parents[3] / "vectors"
FOLDERS = ("rfc4443", "rfc4861", "rfc6775", "rfc8505", "rfc6550", "rfc6553", "rfc6554")
Case = dict[str, Any]
# an otherwise empty DIO that carries a metric container
CARRIER = "9b 01 00 00 1e f0 01 80 88 00 00 00 20 01 0d b8 00 0a 00 00 00 00 00 ff fe 00 00 01"


def load() -> list[Case]:
    cases = []
    for folder in FOLDERS:
        for path in sorted((VECTORS / folder).glob("*.toml")):
            text = document(path)
            common = {key: value for key, value in text.items() if key != "case"}
            cases += [common | {"file": f"{folder}/{path.name}"} | case for case in text["case"]]
    return [case for case in cases if "lowpan" not in case]  # payloads of frames are read by others


def named(cases: list[Case]) -> list[Any]:
    return [pytest.param(case, id=f"{case['file']}:{case['id']}") for case in cases]


ALL = load()
READ = [case for case in ALL if case["result"] != "invalid"]
INVALID = [case for case in ALL if case["result"] == "invalid"]
VALID = [case for case in ALL if case["result"] == "valid"]
ROUTES = [case for case in READ if "hops" in case]


def octets_of(case: Case) -> bytes:
    if "container" not in case:
        return bytes.fromhex(str(case.get("message", case.get("header"))))
    container = bytes.fromhex(case["container"])
    whole = bytes.fromhex(CARRIER) + bytes([2, len(container)]) + container
    checksum = plain_checksum(*addresses_of(case), whole)
    return whole[:2] + checksum.to_bytes(2, "big") + whole[4:]


def addresses_of(case: Case) -> tuple[IPv6Address, IPv6Address]:
    return IPv6Address(case["source_address"]), IPv6Address(case["destination_address"])


def plain_checksum(source: IPv6Address, destination: IPv6Address, message: bytes) -> int:
    """Return the sum of RFC 1071 over the pseudo-header of RFC 8200 section 8.1, word by word."""
    text = source.packed + destination.packed + len(message).to_bytes(4, "big") + b"\0\0\0\x3a"
    text += message[:2] + b"\0\0" + message[4:] + b"\0" * (len(message) % 2)
    total = 0
    for at in range(0, len(text), 2):
        total += text[at] << 8 | text[at + 1]
        total = (total & 0xFFFF) + (total >> 16)
    return total ^ 0xFFFF


def read(case: Case, octets: bytes, start: int = 0) -> tuple[Any, Reader]:
    """Return what the octets of a case hold (an ``Icmpv6`` or an extension header), and the reader."""
    reader = Reader(bytes(start) + octets, start)
    if "number" in case:
        return extension.decode(reader, case["number"]), reader
    return icmpv6.decode(reader, *addresses_of(case)), reader


def write(case: Case, value: Any) -> Writer:
    writer = Writer()
    if "number" in case:
        extension.encode(writer, value)
    else:
        icmpv6.encode(writer, value, *addresses_of(case))
    return writer


def plain(value: Any) -> Any:
    """Return a value as TOML writes it."""
    if isinstance(value, bytes):
        return value.hex(" ")
    if isinstance(value, IPv6Address | IPv6Network):
        return str(value)
    if isinstance(value, tuple):
        return [plain(one) for one in value]
    return value


def compare(value: Any, expected: Any) -> None:
    """Compare attributes: a table names the class as ``kind``, a list is compared in whole."""
    if isinstance(expected, list):
        assert len(value) == len(expected)
        for one, other in zip(value, expected, strict=True):
            compare(one, other)
    elif isinstance(expected, dict):
        for name, wanted in expected.items():
            if name == "kind":
                assert type(value).__name__ == wanted
            elif (
                name == "has_dodag_id"
            ):  # on the wire alone: what it says is whether the field is there
                compare(value.dodag_id is not None, wanted)
            else:
                compare(getattr(value, name), wanted)
    else:
        found = plain(value)
        assert found == expected
        assert isinstance(found, bool) == isinstance(expected, bool)


@pytest.mark.parametrize("case", named(ALL))
def test_case_says_where_it_comes_from_and_why(case: Case) -> None:
    assert case["source"]
    assert case["why"]
    assert case["result"] in {"valid", "invalid", "lenient"}


def test_ids_are_unique() -> None:
    ids = [(case["file"], case["id"]) for case in ALL]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("case", named(READ))
def test_fields_come_out(case: Case) -> None:
    octets = octets_of(case)
    value, reader = read(case, octets)
    assert reader.left == 0
    assert tiles(reader.spans, len(octets) * 8)
    assert all(span.layer and span.name and span.cite for span in reader.spans)
    message: Any = value.message if isinstance(value, Icmpv6) else value
    assert type(message).__name__ == case.get("kind", "Dio")
    compare(message, case.get("fields", {}))
    compare(
        getattr(message, "options", ()), case.get("options", list(getattr(message, "options", ())))
    )
    if "metrics" in case:
        (container,) = message.options
        compare(container.metrics, case["metrics"])
    if "octets" in case:
        assert len(octets) == case["octets"]
    for name, words in case.get("says", {}).items():
        assert words in [span.meaning for span in reader.spans if span.name == name]


@pytest.mark.parametrize("case", named([case for case in READ if "number" not in case]))
def test_header_of_the_message(case: Case) -> None:
    octets = octets_of(case)
    value, reader = read(case, octets)
    assert [value.type, value.code, value.checksum] == [
        octets[0], octets[1], int.from_bytes(octets[2:4], "big"),
    ]  # fmt: skip
    assert value.expected_checksum == plain_checksum(*addresses_of(case), octets)
    assert value.checksum_ok is case.get("checksum_ok", True)
    # RFC 4861 sections 6.1 and 7.1: 255 for all of its messages; RFC 6775 section 4.4: not for duplicate address
    assert value.required_hop_limit == (255 if 133 <= octets[0] <= 137 else None)
    if "name" in case:
        assert value.name == case["name"]
    if "code_means" in case:
        assert reader.spans[1].name == "code"
        assert reader.spans[1].meaning == case["code_means"]
    assert icmpv6.decode(Reader(octets)).checksum_ok is None


@pytest.mark.parametrize("case", named(VALID))
def test_encodes_to_these_octets_with_the_same_spans(case: Case) -> None:
    octets = octets_of(case)
    value, reader = read(case, octets)
    writer = write(case, value.message if isinstance(value, Icmpv6) else value)
    assert bytes(writer.data).hex(" ") == octets.hex(" ")
    assert [tuple(span) for span in writer.spans] == [
        (*span[:5], written.meaning, *span[6:]) if span.name == "seal" else tuple(span)
        for span, written in zip(reader.spans, writer.spans, strict=True)
    ]


@pytest.mark.parametrize("case", named([case for case in READ if "security" in case]))
def test_security_section(case: Case) -> None:
    value, _ = read(case, octets_of(case))
    secure = value.message
    compare(secure.security, case["security"])
    if "inner" in case:
        assert type(secure.message).__name__ == case["inner"]
        compare(secure.message, case.get("inner_fields", {}))
    else:
        assert secure.message is None


@pytest.mark.parametrize("case", named([case for case in READ if "contexts" in case]))
def test_contexts_for_a_table(case: Case) -> None:
    value, _ = read(case, octets_of(case))
    found = [
        [option.cid, str(option.context.prefix), option.context.may_compress, option.lifetime_s]
        for option in value.message.options
        if isinstance(option, nd_lowpan.ContextOption)
    ]
    assert found == case["contexts"]


@pytest.mark.parametrize("case", named(ROUTES))
def test_route_expands(case: Case) -> None:
    route, _ = read(case, octets_of(case))
    assert isinstance(route, SourceRoute)
    assert plain(route.expand(IPv6Address(case["destination"]))) == case["hops"]


@pytest.mark.parametrize("case", named([case for case in ROUTES if case.get("shortest")]))
def test_route_compresses_to_these_octets(case: Case) -> None:
    hops = tuple(IPv6Address(hop) for hop in case["hops"])
    octets = octets_of(case)
    route = source_route.compress(IPv6Address(case["destination"]), hops, octets[0])
    assert bytes(write(case, route).data).hex(" ") == octets.hex(" ")


@pytest.mark.parametrize("case", named(INVALID))
def test_is_refused_with_its_place(case: Case) -> None:
    octets = octets_of(case)
    with pytest.raises(WireError) as caught:
        read(case, octets)
    fault = caught.value
    assert [type(fault).__name__, fault.offset] == [case["error"], case["offset"]]
    assert type(fault) is getattr(errors, case["error"])
    assert fault.layer
    assert fault.cite is not None
    # the same behind other octets: the place is counted from the start of what was given
    with pytest.raises(WireError) as again:
        read(case, octets, start=7)
    assert again.value.offset == fault.offset + 7


@pytest.mark.parametrize("case", named(READ))
def test_cut_at_every_octet(case: Case) -> None:
    octets = octets_of(case)
    whole_needed = len(octets) if "number" in case else case.get("base", 0)
    for cut in range(len(octets)):
        try:
            read(case, octets[:cut])
        except WireError as fault:
            assert fault.offset <= cut  # noqa: PT017
            assert fault.layer  # noqa: PT017
        else:
            assert cut >= whole_needed


def test_every_row_of_every_table_has_a_vector() -> None:
    seen: set[Any] = set()
    for case in READ:
        value, _ = read(case, octets_of(case))
        if not isinstance(value, Icmpv6):
            seen.add(type(value).__name__)
            continue
        seen.add((value.type, value.code))
        for option in getattr(value.message, "options", ()):
            seen.add(("rpl" if value.type == rpl.TYPE else "nd", type(option)))
            for metric in getattr(option, "metrics", ()):
                seen.add(("metric", metric.type, metric.constraint))
            if isinstance(option, nd_lowpan.AddressRegistration):
                seen.add(("rovr", len(option.rovr)))
    for kind in icmpv6.MESSAGES:
        wanted = [kind.code] if kind.code is not None else list(kind.codes)
        assert {(kind.number, code) for code in wanted} & seen
    several = {1: range(8), 3: range(2), 4: range(3), 157: (0, 1, 3, 4), 158: (0, 2)}
    assert {(number, code) for number, codes in several.items() for code in codes} <= seen
    for where, family in (("nd", nd_options.OPTIONS), ("rpl", rpl_options.OPTIONS)):
        for layout in family.layouts.values():
            assert (where, layout.value) in seen
    assert {("metric", number) for number in rpl_metrics.OBJECTS} <= {
        one[:2] for one in seen if one[0] == "metric"
    }
    assert ("metric", 8, True) in seen
    assert {("rovr", octets) for octets in nd_lowpan.ROVR_OCTETS} <= seen
    assert {
        "OptionsHeader",
        "SourceRoute",
        "RoutingHeader",
        "FragmentHeader",
        "OtherHeader",
    } <= seen


# --- the figures of RFC 7400 appendix A, read by hand -----------------------------------------------

FIGURES = {case["id"]: case for case in document(VECTORS / "rfc7400" / "appendix-a.toml")["case"]}
# The drafts that these packets come from numbered the options of 6LoWPAN otherwise: 31 and 32 are unknown today,
# and 33, a border router option there, is the registration option of RFC 6775 and RFC 8505.
BORDER_ROUTER = "20 02 0d b8 00 00 00 00 00 00 00 ff fe 00 11 22"
PRINTED: dict[str, Case] = {
    "rpl-dis": {"kind": "Dis", "options": [{"kind": "Pad1"}, {"kind": "Pad1"}]},
    "rpl-dio": {
        "kind": "Dio", "rpl_instance_id": 0, "version": 240, "rank": 256, "grounded": True, "mode": 1,
        "preference": 0, "dtsn": 0, "dodag_id": "2002:db8::ff:fe00:face",
        "options": [
            {
                "kind": "DodagConfiguration", "authentication": False, "path_control_size": 0,
                "dio_interval_doublings": 20, "dio_interval_min": 9, "dio_redundancy_constant": 255,
                "max_rank_increase": 0, "min_hop_rank_increase": 256, "objective_code_point": 0,
                "default_lifetime": 0, "lifetime_unit": 0, "rpi_0x23": False,
            },
            {
                "kind": "PrefixInformation", "prefix_length": 128, "on_link": False, "autonomous": False,
                "router_address": True, "valid_lifetime": 0xFFFFFFFF, "preferred_lifetime": 0xFFFFFFFF,
                "address": "2002:db8::ff:fe00:face",
            },
            {
                "kind": "RouteInformation", "prefix": "2002:db8::/64", "preference": 0,
                "route_lifetime": 0xFFFFFFFF,
            },
        ],
    },
    "rpl-dao": {
        "kind": "Dao", "rpl_instance_id": 1, "acknowledge": True, "has_dodag_id": False, "sequence": 241,
        "options": [
            {"kind": "Target", "prefix": "2002:db8::ff:fe00:3344/128"},
            {
                "kind": "TransitInformation", "external": False, "path_control": 128,
                "path_sequence": 241, "path_lifetime": 0, "parent": "fe80::ff:fe00:1122",
            },
        ],
    },
    "nd-neighbor-solicitation": {
        "kind": "NeighborSolicitation", "target": "fe80::21c:daff:fe00:3023",
        "options": [
            {"kind": "SourceLinkLayerAddress", "address": "3b d3"},
            {"kind": "UnknownOption", "type": 31, "content": "00 00 00 00 00 06 00 1c da ff fe 00 20 24"},
        ],
    },
    "nd-neighbor-advertisement": {
        "kind": "NeighborAdvertisement", "target": "fe80::21c:daff:fe00:3023", "router": True,
        "solicited": True, "override": False,
        "options": [
            {"kind": "TargetLinkLayerAddress", "address": "fa ce"},
            {"kind": "UnknownOption", "type": 31, "content": "00 00 00 00 00 06 00 1c da ff fe 00 20 24"},
        ],
    },
    "nd-router-solicitation": {
        "kind": "RouterSolicitation",
        "options": [{"kind": "SourceLinkLayerAddress", "address": "ac de 48 00 00 00 00 01"}],
    },
    "nd-router-advertisement": {
        "kind": "RouterAdvertisement", "cur_hop_limit": 64, "managed": False, "other": False,
        "router_lifetime": 4000, "reachable_time": 0x1C5A3817, "retrans_timer": 2000,
        "options": [
            {"kind": "SourceLinkLayerAddress", "address": "11 22"},
            {
                "kind": "PrefixInformation", "prefix": "2002:db8::/64", "on_link": False,
                "autonomous": True, "valid_lifetime": 0xFFFFFFFF, "preferred_lifetime": 0xFFFFFFFF,
            },
            {"kind": "UnknownOption", "type": 32, "content": "40 10 00 00 03 e8 20 02 0d b8 00 00 00 00"},
            {"kind": "AddressRegistration", "extended": False, "rovr": BORDER_ROUTER},
        ],
    },
}  # fmt: skip


@pytest.mark.parametrize("name", list(PRINTED))
def test_figure_of_rfc_7400(name: str) -> None:
    case = FIGURES[name]
    octets = bytes.fromhex(case["octets"])
    source, destination = (
        IPv6Address(bytes.fromhex(case[key])) for key in ("source_address", "destination_address")
    )
    reader = Reader(octets)
    found = icmpv6.decode(reader, source, destination)
    compare(found.message, PRINTED[name])
    assert tiles(reader.spans, len(octets) * 8)
    assert found.checksum_ok is case.get("checksum_ok", True)
    writer = Writer()
    icmpv6.encode(writer, found.message, source, destination)
    assert bytes(writer.data[4:]) == octets[4:]
    assert (bytes(writer.data) == octets) is case.get("checksum_ok", True)


def test_types_have_the_names_of_another_library() -> None:
    """Those that scapy has not: RFC 4443 section 2.1 (127, 255), RFC 6775 section 4.4 (157, 158)."""
    from scapy.layers.inet6 import icmp6types

    def words(text: str) -> set[str]:
        return set(text.lower().replace("mld", "multicast listener").split()) - {"message"}

    assert icmpv6.TYPES.keys() - icmp6types.keys() == {127, 255, 157, 158}
    assert icmpv6.TYPES.keys() >= {100, 101, 200, 201, *range(1, 5), *range(128, 138), 143, 155}
    for number in icmpv6.TYPES.keys() & icmp6types.keys():
        assert words(icmpv6.TYPES[number]) == words(icmp6types[number])


def test_names_are_in_one_table() -> None:
    assert icmpv6.name_of(nd.RS, 0) == "router solicitation"
    assert icmpv6.name_of(rpl.TYPE, 0x81) == "secure DODAG information object"
    assert icmpv6.name_of(rpl.TYPE, 0x44) == "RPL control message"
    assert icmpv6.type_name(99) == "ICMPv6 error 99"
    assert rpl_security.LEVELS[3][0].octets == 384  # RFC 6550 figure 11


@pytest.mark.parametrize("data", range(0x10000 - 3, 0x10000 + 3))
@pytest.mark.parametrize("sent", [0, 1, 0xFFFE, 0xFFFF, None])
def test_the_right_checksum_is_told_of_any_that_was_sent(data: int, sent: int | None) -> None:
    """Also of what counts as nothing in a sum: 0 and 0xffff (RFC 1071 section 1)."""
    ends = IPv6Address("fe80::1"), IPv6Address("ff02::1")
    # an echo request whose last word brings the sum to 0, and beside it
    rest = 0xFFFF - (0xFE80 + 1 + 0xFF02 + 1 + 10 + 58 + 0x8000) % 0xFFFF
    octets = bytes.fromhex("80000000 00000000") + ((rest + data) % 0xFFFF).to_bytes(2, "big")
    right = plain_checksum(*ends, octets)
    carried = right if sent is None else sent
    octets = octets[:2] + carried.to_bytes(2, "big") + octets[4:]
    assert icmpv6.decode(Reader(octets), *ends).expected_checksum == right
