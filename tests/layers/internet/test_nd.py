"""ICMPv6 and neighbour discovery against scapy as a second opinion, and properties of every message and option."""

from collections.abc import Callable
from ipaddress import IPv6Address, IPv6Network
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.cites import rfc
from lowpanbudget.env import Context, Contexts
from lowpanbudget.errors import RequestError, WireError
from lowpanbudget.layers.internet import icmpv6, nd
from lowpanbudget.layers.internet import nd_lowpan as lowpan
from lowpanbudget.layers.internet import nd_options as options
from lowpanbudget.layers.internet.records import UnknownOption

SOURCE, DESTINATION = IPv6Address("fe80::5eef:1000:1"), IPv6Address("ff02::1")
TARGET = IPv6Address("2001:db8::7")


def encoded(message: object) -> bytes:
    writer = Writer()
    icmpv6.encode(writer, message, SOURCE, DESTINATION)
    assert tiles(writer.spans, len(writer.data) * 8)
    return bytes(writer.data)


def decoded(octets: bytes) -> Any:
    reader = Reader(octets)
    found = icmpv6.decode(reader, SOURCE, DESTINATION)
    assert reader.left == 0
    assert tiles(reader.spans, len(octets) * 8)
    assert found.checksum_ok
    return found.message


# --- scapy: what it builds we read, what we build it reads ------------------------------------------


def scapy_pairs() -> dict[str, Callable[[], tuple[Any, Any]]]:
    """Return, by name, what makes a message of ours and the same as a scapy packet without its IPv6 header."""
    from scapy.layers import inet6

    def echo() -> tuple[Any, Any]:
        return (
            icmpv6.EchoRequest(0x1234, 7, b"abcde"),
            inet6.ICMPv6EchoRequest(id=0x1234, seq=7, data=b"abcde"),
        )

    def reply() -> tuple[Any, Any]:
        return icmpv6.EchoReply(1, 2), inet6.ICMPv6EchoReply(id=1, seq=2)

    def too_big() -> tuple[Any, Any]:
        return icmpv6.PacketTooBig(1280, b"\x60" + bytes(47)), inet6.ICMPv6PacketTooBig(
            mtu=1280
        ) / (b"\x60" + bytes(47))

    def unreachable() -> tuple[Any, Any]:
        return icmpv6.DestinationUnreachable(4, b"\x60" + bytes(47)), inet6.ICMPv6DestUnreach(
            code=4
        ) / (b"\x60" + bytes(47))

    def exceeded() -> tuple[Any, Any]:
        return icmpv6.TimeExceeded(1, b"\x60" + bytes(47)), inet6.ICMPv6TimeExceeded(code=1) / (
            b"\x60" + bytes(47)
        )

    def problem() -> tuple[Any, Any]:
        return icmpv6.ParameterProblem(1, 40, b"\x60" + bytes(47)), inet6.ICMPv6ParamProblem(
            code=1, ptr=40
        ) / (b"\x60" + bytes(47))

    def solicitation() -> tuple[Any, Any]:
        return (
            nd.RouterSolicitation((options.SourceLinkLayerAddress(bytes.fromhex("00005e005301")),)),
            inet6.ICMPv6ND_RS() / inet6.ICMPv6NDOptSrcLLAddr(lladdr="00:00:5e:00:53:01"),
        )

    def advertisement() -> tuple[Any, Any]:
        ours = nd.RouterAdvertisement(
            64, 1800, 30000, 1000, managed=True, other=False,
            options=(
                options.PrefixInformation(
                    64, IPv6Address("2001:db8:1::"), 2592000, 604800,
                    on_link=True, autonomous=False, router_address=True,
                ),
                options.Mtu(1280),
                options.RecursiveDnsServers(3600, (TARGET, IPv6Address("2001:db8::8"))),
                UnknownOption(253, bytes(range(14))),
            ),
        )  # fmt: skip
        theirs = (
            inet6.ICMPv6ND_RA(chlim=64, M=1, O=0, prf=0, routerlifetime=1800, reachabletime=30000, retranstimer=1000)
            / inet6.ICMPv6NDOptPrefixInfo(
                prefixlen=64, L=1, A=0, R=1, validlifetime=2592000, preferredlifetime=604800, prefix="2001:db8:1::"
            )
            / inet6.ICMPv6NDOptMTU(mtu=1280)
            / inet6.ICMPv6NDOptRDNSS(lifetime=3600, dns=["2001:db8::7", "2001:db8::8"])
            / inet6.ICMPv6NDOptUnknown(type=253, len=2, data=bytes(range(14)))
        )  # fmt: skip
        return ours, theirs

    def neighbour() -> tuple[Any, Any]:
        return nd.NeighborSolicitation(TARGET), inet6.ICMPv6ND_NS(tgt=str(TARGET))

    def answer() -> tuple[Any, Any]:
        return (
            nd.NeighborAdvertisement(
                TARGET, router=True, solicited=False, override=True,
                options=(options.TargetLinkLayerAddress(bytes.fromhex("00005e005302")),),
            ),
            inet6.ICMPv6ND_NA(tgt=str(TARGET), R=1, S=0, O=1)
            / inet6.ICMPv6NDOptDstLLAddr(lladdr="00:00:5e:00:53:02"),
        )  # fmt: skip

    def redirect() -> tuple[Any, Any]:
        packet = bytes(inet6.IPv6(src="2001:db8::1", dst="2001:db8::2", nh=59))
        return (
            nd.Redirect(IPv6Address("fe80::1"), TARGET, (options.RedirectedHeader(packet),)),
            inet6.ICMPv6ND_Redirect(tgt="fe80::1", dst=str(TARGET))
            / inet6.ICMPv6NDOptRedirectedHdr(pkt=inet6.IPv6(packet)),
        )

    makers = (
        echo, reply, too_big, unreachable, exceeded, problem, solicitation, advertisement,
        neighbour, answer, redirect,
    )  # fmt: skip
    return {maker.__name__: maker for maker in makers}


@pytest.mark.parametrize("name", [
    "echo", "reply", "too_big", "unreachable", "exceeded", "problem", "solicitation",
    "advertisement", "neighbour", "answer", "redirect",
])  # fmt: skip
def test_scapy_reads_and_writes_the_same(name: str) -> None:
    """``scapy.layers.inet6``: same octets, checksum included, and the same fields when it reads ours."""
    from scapy.layers.inet6 import IPv6

    ours, theirs = scapy_pairs()[name]()
    packet = IPv6(src=str(SOURCE), dst=str(DESTINATION), nh=58) / theirs
    octets = bytes(packet)[40:]
    assert decoded(octets) == ours
    assert encoded(ours).hex(" ") == octets.hex(" ")
    read_back: Any = IPv6(bytes(packet)[:40] + encoded(ours))
    rebuilt: Any = IPv6(bytes(packet))
    while rebuilt.payload and type(rebuilt).__name__ != "Raw":
        rebuilt, read_back = rebuilt.payload, read_back.payload
        assert type(read_back) is type(rebuilt)
        assert read_back.fields == rebuilt.fields


# --- properties --------------------------------------------------------------------------------------

addresses = st.integers(0, (1 << 128) - 1).map(IPv6Address)


def numbers(bits: int) -> st.SearchStrategy[int]:
    return st.integers(0, (1 << bits) - 1)


def networks(most: int = 128) -> st.SearchStrategy[IPv6Network]:
    return st.builds(
        lambda address, length: IPv6Network((address, length), strict=False),
        addresses,
        st.integers(0, most),
    )


flags = st.booleans()
# an EUI-48 that ends in zeros cannot be told from a padded short address
link_addresses = st.one_of(
    st.binary(min_size=2, max_size=2),
    st.binary(min_size=6, max_size=6).filter(lambda octets: any(octets[2:])),
    st.binary(min_size=8, max_size=8),
)
rovrs = st.sampled_from(lowpan.ROVR_OCTETS).flatmap(
    lambda size: st.binary(min_size=size, max_size=size)
)
eights = st.integers(0, 4).flatmap(lambda count: st.binary(min_size=8 * count, max_size=8 * count))
known = set(options.OPTIONS.records)
any_option = st.one_of(
    st.builds(options.SourceLinkLayerAddress, link_addresses),
    st.builds(options.TargetLinkLayerAddress, link_addresses),
    st.builds(
        options.PrefixInformation, st.integers(0, 128), addresses, numbers(32), numbers(32), flags, flags, flags
    ),
    st.builds(options.RedirectedHeader, eights),
    st.builds(options.Mtu, numbers(32)),
    st.builds(
        options.RecursiveDnsServers, numbers(32), st.lists(addresses, min_size=1, max_size=3).map(tuple)
    ),
    st.builds(
        lowpan.AddressRegistration, numbers(16), rovrs, numbers(8), flags, numbers(8), flags, numbers(8), numbers(2)
    ),
    st.builds(lowpan.ContextOption, numbers(4), networks(), numbers(16), flags),
    st.builds(lowpan.AuthoritativeBorderRouter, numbers(32), addresses, numbers(16)),
    st.builds(lowpan.Capabilities, flags, flags, flags, flags, flags, flags, numbers(8), eights),
    st.builds(
        UnknownOption,
        st.integers(0, 255).filter(lambda number: number not in known),
        st.integers(0, 3).flatmap(lambda count: st.binary(min_size=8 * count + 6, max_size=8 * count + 6)),
    ),
)  # fmt: skip
some_options = st.lists(any_option, max_size=4).map(tuple)
duplicates = st.sampled_from(range(5)).flatmap(
    lambda code: st.tuples(
        addresses,
        st.binary(min_size=8 * max(code, 1), max_size=8 * max(code, 1)),
        numbers(16),
        numbers(8),
        numbers(8),
        st.just(code),
        some_options,
    )
)
messages = st.one_of(
    st.builds(icmpv6.DestinationUnreachable, numbers(8), st.binary(max_size=40)),
    st.builds(icmpv6.PacketTooBig, numbers(32), st.binary(max_size=40)),
    st.builds(icmpv6.TimeExceeded, numbers(8), st.binary(max_size=40)),
    st.builds(icmpv6.ParameterProblem, numbers(8), numbers(32), st.binary(max_size=40)),
    st.builds(icmpv6.EchoRequest, numbers(16), numbers(16), st.binary(max_size=40)),
    st.builds(icmpv6.EchoReply, numbers(16), numbers(16), st.binary(max_size=40)),
    st.builds(icmpv6.Unknown, st.sampled_from((5, 100, 130, 160, 255)), numbers(8), st.binary(max_size=40)),
    st.builds(nd.RouterSolicitation, some_options),
    st.builds(
        nd.RouterAdvertisement, numbers(8), numbers(16), numbers(32), numbers(32), flags, flags, some_options
    ),
    st.builds(nd.NeighborSolicitation, addresses, some_options),
    st.builds(nd.NeighborAdvertisement, addresses, flags, flags, flags, some_options),
    st.builds(nd.Redirect, addresses, addresses, some_options),
    duplicates.map(lambda values: nd.DuplicateAddressRequest(*values)),
    duplicates.map(lambda values: nd.DuplicateAddressConfirmation(*values)),
)  # fmt: skip


@settings(max_examples=200)
@given(messages)
def test_what_is_written_is_read(message: object) -> None:
    writer = Writer()
    icmpv6.encode(writer, message, SOURCE, DESTINATION)
    reader = Reader(bytes(writer.data))
    found = icmpv6.decode(reader, SOURCE, DESTINATION)
    assert found.message == message
    assert found.checksum_ok
    assert reader.spans == writer.spans
    assert tiles(reader.spans, len(writer.data) * 8)


@settings(max_examples=200)
@given(messages, st.data())
def test_altered_messages_give_a_value_or_a_located_error(message: object, data: Any) -> None:
    octets = bytearray(encoded(message))
    for _ in range(data.draw(st.integers(1, 3))):
        octets[data.draw(st.integers(0, len(octets) - 1))] = data.draw(numbers(8))
    give_a_value_or_an_error(bytes(octets[: data.draw(st.integers(0, len(octets)))]))


@settings(max_examples=200)
@given(
    st.sampled_from((1, 128, 133, 134, 135, 136, 137, 155, 157, 158, 255)), st.binary(max_size=80)
)
def test_garbage_gives_a_value_or_a_located_error(number: int, octets: bytes) -> None:
    give_a_value_or_an_error(bytes([number]) + octets)


def give_a_value_or_an_error(octets: bytes) -> None:
    reader = Reader(octets)
    try:
        icmpv6.decode(reader, SOURCE, DESTINATION)
    except WireError as fault:
        assert 0 <= fault.offset <= len(octets)  # noqa: PT017
        assert fault.layer  # noqa: PT017
        assert tiles(reader.spans, sum(span.bits for span in reader.spans))
    else:
        assert tiles(reader.spans, len(octets) * 8)
    assert reader.end == len(octets)


def test_many_options_are_read_in_a_time_that_grows_with_them() -> None:
    """The largest IPv6 payload, all options of 8 octets: no option is read twice."""
    count = (65535 - 8) // 8
    octets = bytes.fromhex("8500000000000000") + bytes.fromhex("fd01000000000000") * count
    reader = Reader(octets)
    found = icmpv6.decode(reader)
    assert isinstance(found.message, nd.RouterSolicitation)
    assert len(found.message.options) == count
    assert len(reader.spans) == 4 + 3 * count


# --- requests that cannot be met ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "message",
    [
        nd.RouterSolicitation((options.SourceLinkLayerAddress(b"abc"),)),
        nd.RouterSolicitation((options.RedirectedHeader(b"abc"),)),
        nd.RouterSolicitation((options.PrefixInformation(129, TARGET),)),
        nd.RouterSolicitation((options.RecursiveDnsServers(1, ()),)),
        nd.RouterSolicitation((lowpan.AddressRegistration(1, b"abc"),)),
        nd.RouterSolicitation((lowpan.ContextOption(16, IPv6Network("::/0"), 1),)),
        nd.RouterSolicitation((UnknownOption(1, bytes(6)),)),
        nd.RouterSolicitation((UnknownOption(253, bytes(3000)),)),
        nd.RouterSolicitation((UnknownOption(253, bytes(3)),)),
        nd.RouterSolicitation(("no option",)),
        nd.DuplicateAddressRequest(TARGET, bytes(16), 1, code=1),
        nd.DuplicateAddressRequest(TARGET, bytes(8), 1, code=5),
        nd.RouterAdvertisement(256, 0),
        icmpv6.EchoRequest(65536, 0),
        icmpv6.Unknown(256, 0, b""),
        "no message",
    ],
    ids=repr,
)
def test_what_cannot_be_written_is_a_request_error(message: object) -> None:
    with pytest.raises(RequestError) as caught:
        encoded(message)
    assert caught.value.cite is not None


def test_context_options_make_a_table() -> None:
    """RFC 6775 section 4.2: without C "MUST NOT be used for compression but SHOULD be used in decompression"."""
    octets = encoded(
        nd.RouterAdvertisement(
            64,
            1800,
            options=(
                lowpan.ContextOption(0, IPv6Network("2001:db8:a::/64"), 60),
                lowpan.ContextOption(3, IPv6Network("2001:db8:b::9/128"), 1, may_compress=False),
            ),
        )
    )
    found = decoded(octets)
    table = Contexts({option.cid: option.context for option in found.options})
    assert table[0] == Context("2001:db8:a::/64", may_compress=True)
    assert table[3] == Context("2001:db8:b::9/128", may_compress=False)
    assert len(octets) == 16 + 16 + 24  # length 2 for up to 64 bits, else 3


def test_spans_of_options_name_their_section() -> None:
    reader = Reader(encoded(nd.RouterSolicitation((options.SourceLinkLayerAddress(b"\0\x2a"),))))
    icmpv6.decode(reader)
    span = next(span for span in reader.spans if span.name == "address")
    assert span.layer == "source link-layer address option"
    assert span.cite == rfc(4861, "4.6.1")
