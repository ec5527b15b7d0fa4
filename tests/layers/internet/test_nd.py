"""ICMPv6 and neighbour discovery against scapy as a second opinion, and properties of every message and option."""

from collections.abc import Callable, Iterable
from ipaddress import IPv6Address, IPv6Network
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.cites import rfc
from lowpanbudget.env import Context, Contexts
from lowpanbudget.errors import Malformed, RequestError, WireError
from lowpanbudget.fields import UnknownOption
from lowpanbudget.layers.internet import icmpv6, icmpv6_messages
from lowpanbudget.layers.internet.nd import lowpan_options as lowpan
from lowpanbudget.layers.internet.nd import messages as nd
from lowpanbudget.layers.internet.nd import options

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
            icmpv6_messages.EchoRequest(identifier=0x1234, sequence_number=7, data=b"abcde"),
            inet6.ICMPv6EchoRequest(id=0x1234, seq=7, data=b"abcde"),
        )

    def reply() -> tuple[Any, Any]:
        return icmpv6_messages.EchoReply(identifier=1, sequence_number=2), inet6.ICMPv6EchoReply(
            id=1, seq=2
        )

    def too_big() -> tuple[Any, Any]:
        return icmpv6_messages.PacketTooBig(
            mtu=1280, invoking=b"\x60" + bytes(47)
        ), inet6.ICMPv6PacketTooBig(mtu=1280) / (b"\x60" + bytes(47))

    def unreachable() -> tuple[Any, Any]:
        return icmpv6_messages.DestinationUnreachable(
            code=4, invoking=b"\x60" + bytes(47)
        ), inet6.ICMPv6DestUnreach(code=4) / (b"\x60" + bytes(47))

    def exceeded() -> tuple[Any, Any]:
        return icmpv6_messages.TimeExceeded(
            code=1, invoking=b"\x60" + bytes(47)
        ), inet6.ICMPv6TimeExceeded(code=1) / (b"\x60" + bytes(47))

    def problem() -> tuple[Any, Any]:
        return icmpv6_messages.ParameterProblem(
            code=1, pointer=40, invoking=b"\x60" + bytes(47)
        ), inet6.ICMPv6ParamProblem(code=1, ptr=40) / (b"\x60" + bytes(47))

    def solicitation() -> tuple[Any, Any]:
        return (
            nd.RouterSolicitation(
                options=(options.SourceLinkLayerAddress(address=bytes.fromhex("00005e005301")),)
            ),
            inet6.ICMPv6ND_RS() / inet6.ICMPv6NDOptSrcLLAddr(lladdr="00:00:5e:00:53:01"),
        )

    def advertisement() -> tuple[Any, Any]:
        ours = nd.RouterAdvertisement(
            cur_hop_limit=64,
            router_lifetime=1800,
            reachable_time=30000,
            retrans_timer=1000,
            managed=True,
            other=False,
            options=(
                options.PrefixInformation(
                    prefix_length=64,
                    address=IPv6Address("2001:db8:1::"),
                    valid_lifetime=2592000,
                    preferred_lifetime=604800,
                    on_link=True,
                    autonomous=False,
                    router_address=True,
                ),
                options.Mtu(mtu=1280),
                options.RecursiveDnsServers(
                    lifetime=3600, addresses=(TARGET, IPv6Address("2001:db8::8"))
                ),
                UnknownOption(253, bytes(range(14))),
            ),
        )
        theirs = (
            inet6.ICMPv6ND_RA(
                chlim=64,
                M=1,
                O=0,
                prf=0,
                routerlifetime=1800,
                reachabletime=30000,
                retranstimer=1000,
            )
            / inet6.ICMPv6NDOptPrefixInfo(
                prefixlen=64,
                L=1,
                A=0,
                R=1,
                validlifetime=2592000,
                preferredlifetime=604800,
                prefix="2001:db8:1::",
            )
            / inet6.ICMPv6NDOptMTU(mtu=1280)
            / inet6.ICMPv6NDOptRDNSS(lifetime=3600, dns=["2001:db8::7", "2001:db8::8"])
            / inet6.ICMPv6NDOptUnknown(type=253, len=2, data=bytes(range(14)))
        )
        return ours, theirs

    def neighbour() -> tuple[Any, Any]:
        return nd.NeighborSolicitation(target=TARGET), inet6.ICMPv6ND_NS(tgt=str(TARGET))

    def answer() -> tuple[Any, Any]:
        return (
            nd.NeighborAdvertisement(
                target=TARGET,
                router=True,
                solicited=False,
                override=True,
                options=(options.TargetLinkLayerAddress(address=bytes.fromhex("00005e005302")),),
            ),
            inet6.ICMPv6ND_NA(tgt=str(TARGET), R=1, S=0, O=1)
            / inet6.ICMPv6NDOptDstLLAddr(lladdr="00:00:5e:00:53:02"),
        )

    def redirect() -> tuple[Any, Any]:
        packet = bytes(inet6.IPv6(src="2001:db8::1", dst="2001:db8::2", nh=59))
        return (
            nd.Redirect(
                target=IPv6Address("fe80::1"),
                destination=TARGET,
                options=(options.RedirectedHeader(packet=packet),),
            ),
            inet6.ICMPv6ND_Redirect(tgt="fe80::1", dst=str(TARGET))
            / inet6.ICMPv6NDOptRedirectedHdr(pkt=inet6.IPv6(packet)),
        )

    makers = (
        echo,
        reply,
        too_big,
        unreachable,
        exceeded,
        problem,
        solicitation,
        advertisement,
        neighbour,
        answer,
        redirect,
    )
    return {maker.__name__: maker for maker in makers}


@pytest.mark.parametrize(
    "name",
    [
        "echo",
        "reply",
        "too_big",
        "unreachable",
        "exceeded",
        "problem",
        "solicitation",
        "advertisement",
        "neighbour",
        "answer",
        "redirect",
    ],
)
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
    st.builds(
        lambda first, rest: first + rest.to_bytes(4, "big"),
        st.binary(min_size=2, max_size=2),
        st.integers(1, (1 << 32) - 1),
    ),
    st.binary(min_size=8, max_size=8),
)


def octets_of(sizes: Iterable[int]) -> st.SearchStrategy[bytes]:
    """Return octets of one of these sizes, each as often as another."""
    return st.one_of(*(st.binary(min_size=size, max_size=size) for size in sizes))


rovrs = octets_of(lowpan.ROVR_OCTETS)
eights = octets_of(range(0, 33, 8))
known = set(options.OPTIONS.layouts)
any_option = st.one_of(
    st.builds(options.SourceLinkLayerAddress, address=link_addresses),
    st.builds(options.TargetLinkLayerAddress, address=link_addresses),
    st.builds(
        options.PrefixInformation,
        prefix_length=st.integers(0, 128),
        address=addresses,
        valid_lifetime=numbers(32),
        preferred_lifetime=numbers(32),
        on_link=flags,
        autonomous=flags,
        router_address=flags,
    ),
    st.builds(options.RedirectedHeader, packet=eights),
    st.builds(options.Mtu, mtu=numbers(32)),
    st.builds(
        options.RecursiveDnsServers,
        lifetime=numbers(32),
        addresses=st.lists(addresses, min_size=1, max_size=3).map(tuple),
    ),
    st.builds(
        lowpan.AddressRegistration,
        registration_lifetime=numbers(16),
        rovr=rovrs,
        status=numbers(8),
        extended=flags,
        tid=numbers(8),
        routing=flags,
        opaque=numbers(8),
        index_kind=numbers(2),
    ),
    st.builds(
        lowpan.ContextOption,
        cid=numbers(4),
        prefix=networks(),
        valid_lifetime=numbers(16),
        may_compress=flags,
    ),
    st.builds(
        lowpan.AuthoritativeBorderRouter,
        version=numbers(32),
        border_router=addresses,
        valid_lifetime=numbers(16),
    ),
    st.builds(
        lowpan.Capabilities,
        generic_header_compression=flags,
        extended_registration=flags,
        routing_registrar=flags,
        border_router=flags,
        router=flags,
        extended_duplicate_address=flags,
        experimental=numbers(8),
        more=eights,
    ),
    st.builds(
        UnknownOption,
        st.sampled_from([number for number in range(256) if number not in known]),
        octets_of(range(6, 31, 8)),
    ),
)
some_options = st.lists(any_option, max_size=4).map(tuple)


def duplicates(kind: type[Any]) -> st.SearchStrategy[Any]:
    return st.sampled_from(range(5)).flatmap(
        lambda code: st.builds(
            kind,
            registered=addresses,
            rovr=st.binary(min_size=8 * max(code, 1), max_size=8 * max(code, 1)),
            registration_lifetime=numbers(16),
            status=numbers(8),
            tid=numbers(8),
            code=st.just(code),
            options=some_options,
        )
    )


messages = st.one_of(
    st.builds(
        icmpv6_messages.DestinationUnreachable, code=numbers(8), invoking=st.binary(max_size=40)
    ),
    st.builds(icmpv6_messages.PacketTooBig, mtu=numbers(32), invoking=st.binary(max_size=40)),
    st.builds(icmpv6_messages.TimeExceeded, code=numbers(8), invoking=st.binary(max_size=40)),
    st.builds(
        icmpv6_messages.ParameterProblem,
        code=numbers(8),
        pointer=numbers(32),
        invoking=st.binary(max_size=40),
    ),
    st.builds(
        icmpv6_messages.EchoRequest,
        identifier=numbers(16),
        sequence_number=numbers(16),
        data=st.binary(max_size=40),
    ),
    st.builds(
        icmpv6_messages.EchoReply,
        identifier=numbers(16),
        sequence_number=numbers(16),
        data=st.binary(max_size=40),
    ),
    st.builds(
        icmpv6_messages.Unknown,
        type=st.sampled_from((5, 100, 130, 160, 255)),
        code=numbers(8),
        body=st.binary(max_size=40),
    ),
    st.builds(nd.RouterSolicitation, options=some_options),
    st.builds(
        nd.RouterAdvertisement,
        cur_hop_limit=numbers(8),
        router_lifetime=numbers(16),
        reachable_time=numbers(32),
        retrans_timer=numbers(32),
        managed=flags,
        other=flags,
        options=some_options,
    ),
    st.builds(nd.NeighborSolicitation, target=addresses, options=some_options),
    st.builds(
        nd.NeighborAdvertisement,
        target=addresses,
        router=flags,
        solicited=flags,
        override=flags,
        options=some_options,
    ),
    st.builds(nd.Redirect, target=addresses, destination=addresses, options=some_options),
    duplicates(nd.DuplicateAddressRequest),
    duplicates(nd.DuplicateAddressConfirmation),
)


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
        nd.RouterSolicitation(options=(options.SourceLinkLayerAddress(address=b"abc"),)),
        nd.RouterSolicitation(options=(options.RedirectedHeader(packet=b"abc"),)),
        nd.RouterSolicitation(
            options=(options.PrefixInformation(prefix_length=129, address=TARGET),)
        ),
        nd.RouterSolicitation(options=(options.RecursiveDnsServers(lifetime=1, addresses=()),)),
        nd.RouterSolicitation(
            options=(lowpan.AddressRegistration(registration_lifetime=1, rovr=b"abc"),)
        ),
        nd.RouterSolicitation(
            options=(lowpan.ContextOption(cid=16, prefix=IPv6Network("::/0"), valid_lifetime=1),)
        ),
        nd.RouterSolicitation(options=(UnknownOption(1, bytes(6)),)),
        nd.RouterSolicitation(options=(UnknownOption(253, bytes(3000)),)),
        nd.RouterSolicitation(options=(UnknownOption(253, bytes(3)),)),
        nd.RouterSolicitation(options=("no option",)),  # type: ignore[arg-type]
        nd.DuplicateAddressRequest(
            registered=TARGET, rovr=bytes(16), registration_lifetime=1, code=1
        ),
        nd.DuplicateAddressRequest(
            registered=TARGET, rovr=bytes(8), registration_lifetime=1, code=5
        ),
        nd.RouterAdvertisement(cur_hop_limit=256, router_lifetime=0),
        icmpv6_messages.EchoRequest(identifier=65536, sequence_number=0),
        icmpv6_messages.Unknown(type=256, code=0, body=b""),
        icmpv6_messages.Unknown(type=0, code=256, body=b""),
        *(
            nd.RouterSolicitation(
                options=(lowpan.AuthoritativeBorderRouter(version=version, border_router=TARGET),)
            )
            for version in (-1, 1 << 32)
        ),
        "no message",
    ],
    ids=repr,
)
def test_what_cannot_be_written_is_a_request_error(message: object) -> None:
    with pytest.raises(RequestError) as caught:
        encoded(message)
    assert caught.value.cite is not None


def test_the_greatest_numbers_can_be_written() -> None:
    """RFC 4443 section 2.1: 8 bits of type and code; RFC 6775 section 4.3: 32 bits of version, the lower half first."""
    octets = encoded(icmpv6_messages.Unknown(type=255, code=255, body=b""))
    assert octets[:2] == b"\xff\xff"
    router = lowpan.AuthoritativeBorderRouter(version=0xFFFFFFFE, border_router=TARGET)
    octets = encoded(nd.RouterSolicitation(options=(router,)))
    assert octets[8:14] == bytes([35, 3]) + b"\xff\xfe\xff\xff"


def test_context_options_make_a_table() -> None:
    """RFC 6775 section 4.2: without C "MUST NOT be used for compression but SHOULD be used in decompression"."""
    octets = encoded(
        nd.RouterAdvertisement(
            cur_hop_limit=64,
            router_lifetime=1800,
            options=(
                lowpan.ContextOption(
                    cid=0, prefix=IPv6Network("2001:db8:a::/64"), valid_lifetime=60
                ),
                lowpan.ContextOption(
                    cid=3,
                    prefix=IPv6Network("2001:db8:b::9/128"),
                    valid_lifetime=1,
                    may_compress=False,
                ),
                lowpan.ContextOption(cid=5, prefix=IPv6Network("::/0"), valid_lifetime=1),
            ),
        )
    )
    found = decoded(octets)
    table = Contexts({option.cid: option.context for option in found.options})
    assert table[0] == Context("2001:db8:a::/64", may_compress=True)
    assert table[3] == Context("2001:db8:b::9/128", may_compress=False)
    # length 2 for 0 to 64 bits, else 3
    assert len(octets) == 16 + 16 + 24 + 16


def test_spans_of_options_name_their_section() -> None:
    reader = Reader(
        encoded(nd.RouterSolicitation(options=(options.SourceLinkLayerAddress(address=b"\0\x2a"),)))
    )
    icmpv6.decode(reader)
    span = next(span for span in reader.spans if span.name == "address")
    assert span.layer == "source link-layer address option"
    assert span.cite == rfc(4861, "4.6.1")


def test_an_address_that_is_cut_off_is_told_in_a_sentence() -> None:
    """RFC 8505 section 4.2: type 157, 4 octets, status, TID, lifetime, ROVR of 8, then the registered address."""
    cut = bytes.fromhex("9d000000 0000003c") + bytes(8 + 3)
    with pytest.raises(WireError, match="the field registered needs 16 octets, 3 octets left"):
        icmpv6.decode(Reader(cut), SOURCE, DESTINATION)


@pytest.mark.parametrize("length", [1, 2, 4])
def test_lengths_that_many_options_may_have_are_told_as_a_range(length: int) -> None:
    """RFC 8106 section 5.1 (from memory): 3 units of 8 octets for one server, 2 more for each other."""
    option = bytes([25, length]) + bytes(8 * length - 2)
    with pytest.raises(Malformed) as raised:
        options.OPTIONS.read(Reader(option))
    assert raised.value.message == (
        f"recursive DNS server option: length {length} makes {8 * length} octets, not 24 to 2040 in steps of 16"
    )
