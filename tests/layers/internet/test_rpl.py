"""RPL messages, options and routing header: scapy as a second opinion, and properties of all of them."""

from collections.abc import Callable
from ipaddress import IPv6Address, IPv6Network
from itertools import product
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lowpanbudget import Unknown
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.errors import RequestError, WireError
from lowpanbudget.fields import Head, UnknownOption
from lowpanbudget.layers.internet import chain, extension, icmpv6, ipv6, rpi, source_route
from lowpanbudget.layers.internet.nd.options import PrefixInformation
from lowpanbudget.layers.internet.padding import Pad1, PadN
from lowpanbudget.layers.internet.rpl import messages as rpl
from lowpanbudget.layers.internet.rpl import metrics, options
from lowpanbudget.layers.internet.rpl.security import RplSecurity
from lowpanbudget.layers.internet.source_route import SourceRoute

SOURCE, DESTINATION = (
    IPv6Address("fe80::5eef:1000:1"),
    IPv6Address("ff02::1a"),
)  # RFC 6550 section 20.19
ROOT = IPv6Address("2001:db8:a::ff:fe00:1")
NODE = IPv6Address("2001:db8:a::ff:fe00:3")
ENDS = chain.PseudoHeader(NODE, ROOT)


def encoded(message: object) -> bytes:
    writer = Writer()
    icmpv6.encode(writer, message, SOURCE, DESTINATION)
    return bytes(writer.data)


@pytest.mark.parametrize(
    ("code", "name"),
    [
        (7, "destination cleanup object"),
        (8, "destination cleanup object acknowledgement"),
        (0x87, "secure destination cleanup object"),
        (0x88, "secure destination cleanup object acknowledgement"),
        (9, "reserved"),  # assigned to nobody
    ],
)
def test_what_is_not_read_is_named(code: int, name: str) -> None:
    """RFC 9009 sections 4.3 and 4.4, from memory: codes 0x07 and 0x08, and 0x87 and 0x88 secured."""
    reader = Reader(bytes([155, code, 0, 0, 0, 0, 0, 0]))
    assert isinstance(icmpv6.decode(reader, SOURCE, DESTINATION).message, Unknown)
    (meaning,) = (span.meaning for span in reader.spans if span.name == "code")
    assert meaning == name


# --- scapy -------------------------------------------------------------------------------------------


def scapy_pairs() -> dict[str, Callable[[], tuple[Any, Any]]]:
    """Return, by name, what makes a message of ours and the same as a scapy packet without its IPv6 header."""
    from scapy.contrib import rpl as theirs
    from scapy.layers.inet6 import ICMPv6RPL

    def dis() -> tuple[Any, Any]:
        return (
            rpl.Dis(
                options=(
                    options.SolicitedInformation(
                        rpl_instance_id=30,
                        dodag_id=ROOT,
                        version=241,
                        match_version=True,
                        match_dodag=True,
                    ),
                )
            ),
            ICMPv6RPL(code=0)
            / theirs.RPLDIS()
            / theirs.RPLOptSolInfo(RPLInstanceID=30, V=1, I=0, D=1, dodagid=str(ROOT), ver=241),
        )

    def dio() -> tuple[Any, Any]:
        ours = rpl.Dio(
            rpl_instance_id=30,
            version=240,
            rank=384,
            dodag_id=ROOT,
            grounded=True,
            mode=1,
            preference=3,
            dtsn=7,
            options=(
                options.DodagConfiguration(
                    dio_interval_doublings=8,
                    dio_interval_min=12,
                    dio_redundancy_constant=10,
                    max_rank_increase=1792,
                    min_hop_rank_increase=256,
                    objective_code_point=1,
                    default_lifetime=30,
                    lifetime_unit=60,
                    path_control_size=7,
                    authentication=True,
                ),
                PrefixInformation(
                    prefix_length=64,
                    address=NODE,
                    valid_lifetime=3600,
                    preferred_lifetime=1800,
                    autonomous=True,
                    router_address=True,
                ),
                options.RouteInformation(
                    prefix=IPv6Network("2001:db8:b::1/128"), route_lifetime=60, preference=1
                ),
                PadN(5),
            ),
        )
        return ours, (
            ICMPv6RPL(code=1)
            / theirs.RPLDIO(
                RPLInstanceID=30, ver=240, rank=384, G=1, mop=1, prf=3, dtsn=7, dodagid=str(ROOT)
            )
            / theirs.RPLOptDODAGConfig(
                A=1,
                PCS=7,
                DIOIntDoubl=8,
                DIOIntMin=12,
                DIORedun=10,
                MaxRankIncrease=1792,
                MinRankIncrease=256,
                OCP=1,
                DefLifetime=30,
                LifetimeUnit=60,
            )
            / theirs.RPLOptPIO(
                plen=64, L=0, A=1, R=1, validlifetime=3600, preflifetime=1800, prefix=str(NODE)
            )
            # a shorter prefix is written with all 16 octets there: legal, not the shortest
            / theirs.RPLOptRIO(plen=128, prf=1, rtlifetime=60, prefix="2001:db8:b::1")
            / theirs.RPLOptPadN(optdata=bytes(3))
        )

    def dao() -> tuple[Any, Any]:
        ours = rpl.Dao(
            rpl_instance_id=30,
            sequence=241,
            dodag_id=ROOT,
            acknowledge=True,
            options=(
                options.Target(prefix=IPv6Network(f"{NODE}/128")),
                options.TargetDescriptor(descriptor=0xDEADBEEF),
                options.TransitInformation(
                    path_control=192, path_sequence=2, path_lifetime=30, parent=ROOT, external=True
                ),
            ),
        )
        return ours, (
            ICMPv6RPL(code=2)
            / theirs.RPLDAO(RPLInstanceID=30, K=1, D=1, daoseq=241, dodagid=str(ROOT))
            / theirs.RPLOptTgt(plen=128, prefix=str(NODE))
            / theirs.RPLOptTgtDesc(descriptor=0xDEADBEEF)
            / theirs.RPLOptTIO(
                E=1, pathcontrol=192, pathseq=2, pathlifetime=30, parentaddr=str(ROOT)
            )
        )

    def acknowledgement() -> tuple[Any, Any]:
        return (
            rpl.DaoAck(rpl_instance_id=30, sequence=241, status=224),
            ICMPv6RPL(code=3) / theirs.RPLDAOACK(RPLInstanceID=30, D=0, daoseq=241, status=224),
        )

    makers = (dis, dio, dao, acknowledgement)
    return {maker.__name__: maker for maker in makers}


@pytest.mark.parametrize("name", ["dis", "dio", "dao", "acknowledgement"])
def test_scapy_reads_and_writes_the_same(name: str) -> None:
    """``scapy.contrib.rpl``: same octets, checksum included, and the same fields when it reads ours."""
    from scapy.layers.inet6 import IPv6

    ours, theirs = scapy_pairs()[name]()
    packet = IPv6(src=str(SOURCE), dst=str(DESTINATION), nh=58) / theirs
    octets = bytes(packet)[40:]
    assert icmpv6.decode(Reader(octets), SOURCE, DESTINATION).message == ours
    assert encoded(ours).hex(" ") == octets.hex(" ")
    read_back: Any = IPv6(bytes(packet)[:40] + encoded(ours))
    rebuilt: Any = IPv6(bytes(packet))
    while rebuilt.payload and type(rebuilt).__name__ != "Raw":
        rebuilt, read_back = rebuilt.payload, read_back.payload
        assert type(read_back) is type(rebuilt)
        assert read_back.fields == rebuilt.fields


def test_scapy_builds_the_same_metrics() -> None:
    """``scapy.contrib.rpl_metrics``: it builds one sub-object an object and reads none back."""
    from scapy.contrib import rpl_metrics as theirs

    pairs: tuple[tuple[metrics.AnyItem, Any], ...] = (
        (metrics.NodeState(aggregator=True, overloaded=False), theirs.RPLDAGMCNSA(otype=1, Agg=1)),
        (
            metrics.NodeEnergy(node_type=2, energy=80, estimated=True, included=False),
            theirs.RPLDAGMCNodeEnergy(otype=2, I=0, T=2, E=1, E_E=80),
        ),
        (metrics.HopCount(hop_count=4), theirs.RPLDAGMCHopCount(otype=3, HopCount=4)),
        (
            metrics.Throughput(throughput=31250),
            theirs.RPLDAGMCLinkThroughput(otype=4, Throughput=31250),
        ),
        (metrics.Latency(latency=100000), theirs.RPLDAGMCLinkLatency(otype=5, Latency=100000)),
        (
            metrics.LinkQuality(level=5, counter=9),
            theirs.RPLDAGMCLinkQualityLevel(otype=6, val=5, counter=9),
        ),
        (metrics.Etx(etx=457), theirs.RPLDAGMCLinkETX(otype=7, ETX=457)),
        (
            metrics.LinkColor(color=513, counter=5),
            theirs.RPLDAGMCLinkColor(otype=8, color=513, counter=5),
        ),
    )
    for number, (item, packet) in enumerate(pairs, 1):
        packet.P, packet.O, packet.R, packet.A, packet.prec = 1, 1, 1, 3, 9
        ours = metrics.Metric(
            type=number,
            items=(item,),
            partial=True,
            optional=True,
            recorded=True,
            aggregation=3,
            precedence=9,
        )
        writer = Writer()
        metrics.METRICS.write(writer, (ours,))
        assert bytes(writer.data).hex(" ") == bytes(packet).hex(" ")
        assert metrics.METRICS.read(Reader(bytes(packet))) == (ours,)


def test_etx_in_transmissions() -> None:
    """RFC 6551 section 4.3.2: "if ETX = 3.569, the object value will be 457"; one step is 1/128."""
    assert metrics.Etx(etx=457).transmissions == pytest.approx(3.569, abs=1 / 256)
    assert metrics.Etx(etx=65535).transmissions == 511.9921875


def test_scapy_reads_the_same_hop_by_hop_header() -> None:
    """``scapy.layers.inet6``: it takes the RPL option as an unknown one, but walks header and padding."""
    from scapy.layers.inet6 import HBHOptUnknown, IPv6ExtHdrHopByHop

    theirs = IPv6ExtHdrHopByHop(
        nh=17, options=[HBHOptUnknown(otype=0x63, optdata=bytes.fromhex("801e0180"))]
    )
    ours = extension.OptionsHeader(
        0, 17, (rpi.RplOption(rpl_instance_id=30, sender_rank=384, down=True),)
    )
    writer = Writer()
    extension.encode(writer, ours)
    assert bytes(writer.data) == bytes(theirs)
    assert extension.decode(Reader(bytes(theirs)), 0) == ours
    padded = IPv6ExtHdrHopByHop(nh=17, options=[HBHOptUnknown(otype=0x63, optdata=bytes(6))])
    writer = Writer()
    extension.encode(
        writer,
        extension.OptionsHeader(
            0, 17, (rpi.RplOption(rpl_instance_id=0, sender_rank=0, more=bytes(2)),)
        ),
    )
    assert len(writer.data) == len(bytes(padded)) == 16
    assert extension.decode(Reader(bytes(padded)), 0) == extension.decode(
        Reader(bytes(writer.data)), 0
    )


# --- properties --------------------------------------------------------------------------------------

addresses = st.integers(0, (1 << 128) - 1).map(IPv6Address)
flags = st.booleans()


def numbers(bits: int) -> st.SearchStrategy[int]:
    return st.integers(0, (1 << bits) - 1)


networks = st.builds(
    lambda address, length: IPv6Network((address, length), strict=False),
    addresses,
    st.integers(0, 128),
)
ITEMS = {
    1: st.builds(metrics.NodeState, aggregator=flags, overloaded=flags),
    2: st.builds(
        metrics.NodeEnergy, node_type=numbers(2), energy=numbers(8), estimated=flags, included=flags
    ),
    3: st.builds(metrics.HopCount, hop_count=numbers(8)),
    4: st.builds(metrics.Throughput, throughput=numbers(32)),
    5: st.builds(metrics.Latency, latency=numbers(32)),
    6: st.builds(metrics.LinkQuality, level=numbers(3), counter=numbers(5)),
    7: st.builds(metrics.Etx, etx=numbers(16)),
    8: st.builds(metrics.LinkColor, color=numbers(10), counter=numbers(6)),
}
LIMIT = st.builds(metrics.LinkColorConstraint, color=numbers(10), included=flags)
ONE_ITEM = (1, 3)


both = (False, True)
# type, constraint, partial, optional, recorded, aggregation, precedence
metric_heads = st.sampled_from(
    list(product((*ITEMS, 9, 255), both, both, both, both, range(8), range(16)))
)
rests = st.binary(max_size=6)
item_counts = st.integers(1, 3)


@st.composite
def some_metric(draw: Any) -> metrics.Metric:
    number, constraint, partial, optional, recorded, aggregation, precedence = draw(metric_heads)
    items: tuple[Any, ...] = ()
    if number in ITEMS:
        item = LIMIT if number == 8 and constraint else ITEMS[number]
        count = 1 if number in ONE_ITEM else draw(item_counts)
        items = tuple(draw(item) for _ in range(count))
    more = b"" if number in ITEMS and number not in ONE_ITEM else draw(rests)
    return metrics.Metric(
        type=number,
        items=items,
        more=more,
        partial=partial,
        constraint=constraint,
        optional=optional,
        recorded=recorded,
        aggregation=aggregation,
        precedence=precedence,
    )


any_option = st.one_of(
    st.just(Pad1()),
    st.builds(PadN, st.integers(2, 7)),
    st.builds(options.MetricContainer, metrics=st.lists(some_metric(), max_size=3).map(tuple)),
    st.builds(
        options.RouteInformation, prefix=networks, route_lifetime=numbers(32), preference=numbers(2)
    ),
    st.builds(
        options.DodagConfiguration,
        dio_interval_doublings=numbers(8),
        dio_interval_min=numbers(8),
        dio_redundancy_constant=numbers(8),
        max_rank_increase=numbers(16),
        min_hop_rank_increase=numbers(16),
        objective_code_point=numbers(16),
        default_lifetime=numbers(8),
        lifetime_unit=numbers(16),
        path_control_size=numbers(3),
        authentication=flags,
        rpi_0x23=flags,
    ),
    st.builds(options.Target, prefix=networks),
    st.builds(
        options.TransitInformation,
        path_control=numbers(8),
        path_sequence=numbers(8),
        path_lifetime=numbers(8),
        parent=st.none() | addresses,
        external=flags,
    ),
    st.builds(
        options.SolicitedInformation,
        rpl_instance_id=numbers(8),
        dodag_id=addresses,
        version=numbers(8),
        match_version=flags,
        match_instance=flags,
        match_dodag=flags,
    ),
    st.builds(
        PrefixInformation,
        prefix_length=st.integers(0, 128),
        address=addresses,
        valid_lifetime=numbers(32),
        preferred_lifetime=numbers(32),
        on_link=flags,
        autonomous=flags,
        router_address=flags,
    ),
    st.builds(options.TargetDescriptor, descriptor=numbers(32)),
    st.builds(UnknownOption, st.integers(10, 255), st.binary(max_size=12)),
)
some_options = st.lists(any_option, max_size=4).map(tuple)
MESSAGES = {
    0: st.builds(rpl.Dis, options=some_options),
    1: st.builds(
        rpl.Dio,
        rpl_instance_id=numbers(8),
        version=numbers(8),
        rank=numbers(16),
        dodag_id=addresses,
        grounded=flags,
        mode=numbers(3),
        preference=numbers(3),
        dtsn=numbers(8),
        options=some_options,
    ),
    2: st.builds(
        rpl.Dao,
        rpl_instance_id=numbers(8),
        sequence=numbers(8),
        dodag_id=st.none() | addresses,
        acknowledge=flags,
        options=some_options,
    ),
    3: st.builds(
        rpl.DaoAck,
        rpl_instance_id=numbers(8),
        sequence=numbers(8),
        status=numbers(8),
        dodag_id=st.none() | addresses,
        options=some_options,
    ),
    10: st.builds(
        rpl.ConsistencyCheck,
        rpl_instance_id=numbers(8),
        nonce=numbers(16),
        dodag_id=addresses,
        destination_counter=numbers(32),
        response=flags,
        options=some_options,
    ),
}
# RFC 6550 figure 11, typed here once more: octets of MAC, or of signature in mode 3
SEALS = {0: 4, 1: 4, 2: 8, 3: 8}
SIGNATURES = {0: 384, 1: 384, 2: 256, 3: 256}


secure_heads = st.sampled_from(list(product(MESSAGES, range(4), range(4), both)))


@st.composite
def some_secure(draw: Any) -> rpl.Secure:
    code, mode, level, is_time = draw(secure_heads)
    encrypted = level % 2 == 1
    # RFC 6550 figure 10: in mode 3 "if the Security Level indicates there is encryption, then the fields are present"
    source = 8 if mode == 2 or (mode == 3 and encrypted) else 0
    index = 0 if mode == 1 or (mode == 3 and not encrypted) else 1
    seal = (SIGNATURES if mode == 3 else SEALS)[level]
    security = RplSecurity(
        counter=draw(numbers(32)),
        level=level,
        key_id_mode=mode,
        key_source=draw(st.binary(min_size=source, max_size=source)),
        key_index=draw(st.binary(min_size=index, max_size=index)),
        is_time=is_time,
    )
    most = seal + 20 if encrypted else seal
    return rpl.Secure(
        0x80 | code,
        security,
        None if encrypted else draw(MESSAGES[code]),
        draw(st.binary(min_size=seal, max_size=most)),
    )


plain = st.one_of(*(message for code, message in MESSAGES.items() if code != 10))


@settings(max_examples=200)
@given(st.one_of(plain, some_secure()))
def test_what_is_written_is_read(message: Any) -> None:
    writer = Writer()
    icmpv6.encode(writer, message, SOURCE, DESTINATION)
    reader = Reader(bytes(writer.data))
    found = icmpv6.decode(reader, SOURCE, DESTINATION)
    assert found.message == message
    assert found.checksum_ok
    assert tiles(writer.spans, len(writer.data) * 8)
    assert reader.spans == writer.spans


@settings(max_examples=200)
@given(st.one_of(plain, some_secure()), st.data())
def test_altered_messages_give_a_value_or_a_located_error(message: Any, data: Any) -> None:
    octets = bytearray(encoded(message))
    for _ in range(data.draw(st.integers(1, 3))):
        octets[data.draw(st.integers(1, len(octets) - 1))] = data.draw(numbers(8))
    octets = octets[: data.draw(st.integers(0, len(octets)))]
    reader = Reader(bytes(octets))
    try:
        icmpv6.decode(reader, SOURCE, DESTINATION)
    except WireError as fault:
        assert 0 <= fault.offset <= len(octets)  # noqa: PT017
        assert fault.layer  # noqa: PT017
    else:
        assert tiles(reader.spans, len(octets) * 8)
    assert reader.end == len(octets)


@pytest.mark.parametrize(
    "message",
    [
        rpl.Dis(options=(PadN(8),)),  # "a total padding of 7 octets, which is the maximum"
        rpl.Dis(options=(PadN(1),)),
        rpl.Dis(options=(UnknownOption(5, b""),)),
        rpl.Dis(options=(UnknownOption(200, bytes(256)),)),
        rpl.Dis(options=(PrefixInformation(prefix_length=129, address=ROOT),)),
        rpl.Dis(options=(rpi.RplOption(rpl_instance_id=0, sender_rank=0),)),  # type: ignore[arg-type]
        rpl.Dis(options=(options.MetricContainer(metrics=(metrics.Metric(type=7),)),)),
        rpl.Dis(
            options=(
                options.MetricContainer(
                    metrics=(metrics.Metric(type=7, items=(metrics.HopCount(hop_count=1),)),)
                ),
            )
        ),
        rpl.Dis(
            options=(
                options.MetricContainer(
                    metrics=(metrics.Metric(type=3, items=(metrics.HopCount(hop_count=1),) * 2),)
                ),
            )
        ),
        rpl.Dis(
            options=(
                options.MetricContainer(
                    metrics=(metrics.Metric(type=7, items=(metrics.Etx(etx=1),), more=b"x"),)
                ),
            )
        ),
        rpl.Dis(
            options=(
                options.MetricContainer(
                    metrics=(metrics.Metric(type=99, items=(metrics.Etx(etx=1),)),)
                ),
            )
        ),
        rpl.Dio(rpl_instance_id=256, version=0, rank=0, dodag_id=ROOT),
        rpl.Dio(rpl_instance_id=0, version=0, rank=0, dodag_id=None),  # type: ignore[arg-type]
        rpl.ConsistencyCheck(
            rpl_instance_id=0, nonce=0, dodag_id=ROOT
        ),  # "MUST be sent as a secured RPL message"
        rpl.Secure(0x00, RplSecurity(counter=1, key_index=b"\1"), rpl.Dis(), bytes(4)),
        rpl.Secure(0x84, RplSecurity(counter=1, key_index=b"\1"), rpl.Dis(), bytes(4)),
        rpl.Secure(0x81, RplSecurity(counter=1, key_index=b"\1"), rpl.Dis(), bytes(4)),
        rpl.Secure(0x80, RplSecurity(counter=1, key_index=b"\1"), rpl.Dis(), bytes(5)),
        rpl.Secure(0x80, RplSecurity(counter=1, key_index=b""), rpl.Dis(), bytes(4)),
        rpl.Secure(0x80, RplSecurity(counter=1, level=4, key_index=b"\1"), rpl.Dis(), bytes(4)),
        rpl.Secure(0x80, RplSecurity(counter=1, level=1, key_index=b"\1"), rpl.Dis(), bytes(4)),
        rpl.Secure(0x80, RplSecurity(counter=1, level=1, key_index=b"\1"), None, bytes(3)),
    ],
    ids=repr,
)
def test_what_cannot_be_written_is_a_request_error(message: object) -> None:
    with pytest.raises(RequestError) as caught:
        encoded(message)
    assert caught.value.cite is not None


# --- extension headers -------------------------------------------------------------------------------

numbers_of_options = st.sampled_from([n for n in range(256) if n not in (0, 1, 0x63, 0x23)])
ip_options = st.one_of(
    st.just(Pad1()),
    st.builds(PadN, st.integers(2, 20)),
    st.builds(
        rpi.RplOption,
        rpl_instance_id=numbers(8),
        sender_rank=numbers(16),
        down=flags,
        rank_error=flags,
        forwarding_error=flags,
        type=st.sampled_from((0x63, 0x23)),
        more=st.binary(max_size=5),
    ),
    st.builds(UnknownOption, numbers_of_options, st.binary(max_size=12)),
)


@given(
    st.sampled_from((ipv6.HOP_BY_HOP, ipv6.DESTINATION)),
    numbers(8),
    st.lists(ip_options, max_size=5).map(tuple),
)
def test_options_header_comes_back_with_its_padding(
    kind: int, next_header: int, given_options: tuple[Any, ...]
) -> None:
    header = extension.OptionsHeader(kind, next_header, given_options)
    writer = Writer()
    extension.encode(writer, header)
    reader = Reader(bytes(writer.data) + b"after")
    found = extension.decode(reader, kind)
    assert isinstance(found, extension.OptionsHeader)
    assert found.options[: len(given_options)] == given_options
    assert len(found.options) - len(given_options) <= 1
    assert reader.data[reader.pos :] == b"after"
    assert reader.end == len(reader.data)
    assert reader.spans == writer.spans
    assert tiles(reader.spans, len(writer.data) * 8)
    again = Writer()
    extension.encode(again, found)
    assert again.data == writer.data


@settings(max_examples=200)
@given(st.sampled_from(ipv6.EXTENSIONS), st.binary(max_size=64))
@example(43, bytes.fromhex("3a00030100000000"))
@example(43, bytes.fromhex("3a000301fff00000"))
def test_garbage_gives_headers_or_a_located_error(kind: int, octets: bytes) -> None:
    reader = Reader(octets)
    try:
        walked = extension.walk(reader, [], kind, ENDS)
    except WireError as fault:
        assert 0 <= fault.offset <= len(octets)  # noqa: PT017
        assert fault.layer  # noqa: PT017
    else:
        assert tiles(reader.spans, reader.pos * 8)
        assert walked.kind not in ipv6.EXTENSIONS or not walked.whole
    assert reader.end == len(octets)


def test_walk_finds_the_destination_of_the_pseudo_header() -> None:
    """RFC 8200 section 8.1: "the Destination Address used in the pseudo-header is that of the final destination"."""
    route = source_route.compress(ROOT, (NODE, IPv6Address("2001:db8:a::ff:fe00:9")), ipv6.ICMPV6)
    writer = Writer()
    extension.encode(
        writer,
        extension.OptionsHeader(
            0, ipv6.ROUTING, (rpi.RplOption(rpl_instance_id=30, sender_rank=256, down=True),)
        ),
    )
    extension.encode(writer, route)
    reader = Reader(bytes(writer.data) + bytes(8))
    heads: list[Head] = []
    walked = extension.walk(reader, heads, ipv6.HOP_BY_HOP, ENDS)
    assert [type(head.value).__name__ for head in heads] == ["OptionsHeader", "SourceRoute"]
    assert walked.kind == ipv6.ICMPV6
    assert walked.ends.destination == IPv6Address("2001:db8:a::ff:fe00:9")
    assert walked.whole
    assert reader.left == 8
    # Segments Left 0: "the final destination" is where the packet is
    arrived = bytearray(writer.data)
    arrived[8 + 3] = 0
    assert extension.walk(Reader(bytes(arrived)), [], 0, ENDS).ends == ENDS


def test_walk_stops_behind_a_later_fragment() -> None:
    later = bytes.fromhex("2b00000900000001") + b"\xff" * 16
    heads: list[Head] = []
    walked = extension.walk(Reader(later), heads, ipv6.FRAGMENT, ENDS)
    assert len(heads) == 1
    assert not walked.whole
    first = bytes.fromhex("3c00000100000001 3a00010400000000") + bytes(8)
    walked = extension.walk(Reader(first), heads, ipv6.FRAGMENT, ENDS)
    assert len(heads) == 1 + 2
    assert not walked.whole


def test_walk_takes_the_last_address_of_the_old_routing_header() -> None:
    """RFC 8200 section 8.1 for the type that RFC 6554 section 3 likens its own to."""
    old = bytes.fromhex("3a02000100000000") + NODE.packed
    heads: list[Head] = []
    walked = extension.walk(Reader(old), heads, ipv6.ROUTING, ENDS)
    assert [head.value for head in heads] == [
        extension.RoutingHeader(
            next_header=58, routing_type=0, segments_left=1, data=bytes(4) + NODE.packed
        ),
    ]
    assert walked.ends.destination == NODE


def test_chain_without_end_is_left_where_it_is_too_long() -> None:
    heads: list[Head] = []
    reader = Reader(bytes.fromhex("3c00010400000000") * 40)
    walked = extension.walk(reader, heads, ipv6.DESTINATION, ENDS)
    assert walked.fault is not None
    assert walked.fault.offset == 8 * len(heads) == 8 * ipv6.DEEPEST


@pytest.mark.parametrize(
    "header",
    [
        extension.OptionsHeader(43, 58, ()),
        extension.OptionsHeader(0, 58, (UnknownOption(0x1E, bytes(256)),)),
        extension.OptionsHeader(0, 58, (UnknownOption(0x63, bytes(4)),)),
        extension.OptionsHeader(
            0, 58, (rpi.RplOption(rpl_instance_id=0, sender_rank=0, type=0x64),)
        ),
        extension.OptionsHeader(0, 58, (UnknownOption(0x1E, bytes(250)),) * 9),
        extension.RoutingHeader(next_header=58, routing_type=3, segments_left=0, data=bytes(4)),
        extension.RoutingHeader(next_header=58, routing_type=0, segments_left=0, data=bytes(5)),
        chain.FragmentHeader(58, 7, more=False, identification=0),
        extension.OtherHeader(135, 58, bytes(5)),
    ],
    ids=repr,
)
def test_header_that_cannot_be_written_is_a_request_error(header: Any) -> None:
    with pytest.raises(RequestError):
        extension.encode(Writer(), header)


def test_only_extension_headers_can_be_asked_for() -> None:
    with pytest.raises(RequestError):
        extension.decode(Reader(bytes(8)), ipv6.UDP)


# --- the source routing header -----------------------------------------------------------------------

PREFIXES = (
    0x20010DB8_000A0000_00000000_00000000,
    0x20010DB8_000B0000_00000000_00000000,
    0xFD << 120,
)
near = st.builds(
    lambda prefix, high, low: IPv6Address(prefix | high << 64 | low),
    st.sampled_from(PREFIXES),
    st.sampled_from((0, 1)),
    st.one_of(st.integers(0, 600), numbers(64)),
)
routes = st.lists(near, min_size=2, max_size=8, unique=True).map(tuple)


def visit(octets: bytes, destination: IPv6Address) -> tuple[bytes, IPv6Address]:
    """Return header and destination after one hop, by the algorithm of RFC 6554 section 4.2, step by step."""
    header = bytearray(octets)
    cmpr_i, cmpr_e, pad = header[4] >> 4, header[4] & 15, header[5] >> 4
    n = (header[1] * 8 - pad - (16 - cmpr_e)) // (16 - cmpr_i) + 1
    assert 0 < header[3] <= n
    header[3] -= 1
    i = n - header[3]
    elided = cmpr_e if i == n else cmpr_i
    at = 8 + (i - 1) * (16 - cmpr_i)
    tail = bytes(header[at : at + 16 - elided])
    header[at : at + 16 - elided] = destination.packed[elided:]
    return bytes(header), IPv6Address(destination.packed[:elided] + tail)


@settings(max_examples=200)
@given(routes)
@example((IPv6Address("2001:db8:a::1"), IPv6Address("2001:db8:b::1"), IPv6Address("2001:db8:a::2")))
def test_every_hop_finds_the_next(hops: tuple[IPv6Address, ...]) -> None:
    """The example: the last address shares more with the first destination than with the one before it."""
    route = source_route.compress(hops[0], hops[1:], ipv6.UDP)
    writer = Writer()
    source_route.encode(writer, route)
    assert len(writer.data) % 8 == 0
    octets, destination = bytes(writer.data), hops[0]
    for expected in hops[1:]:
        # the pseudo-header's destination is the same all along the path
        found = source_route.decode(Reader(octets))
        assert found.expand(destination)[-1] == hops[-1]
        following, forwarded = found.visit(destination)
        octets, destination = visit(octets, destination)
        assert destination == following == expected
        assert source_route.decode(Reader(octets)) == forwarded
    assert octets[3] == 0
    with pytest.raises(RequestError, match="no segments left"):
        forwarded.visit(destination)


@settings(max_examples=50)
@given(routes)
def test_no_shorter_header_takes_the_packet_there(hops: tuple[IPv6Address, ...]) -> None:
    """Every pair of CmprI and CmprE is tried, each judged by walking the path.

    The elided octets are "shared with the IPv6 Destination Address of the packet carrying the SRH": at every hop the
    final destination, which the pseudo-header needs, must come out too.
    """
    writer = Writer()
    source_route.encode(writer, source_route.compress(hops[0], hops[1:], ipv6.UDP))
    for cmpr_i in range(16):
        for cmpr_e in range(16):
            tails = [hop.packed[cmpr_i:] for hop in hops[1:-1]] + [hops[-1].packed[cmpr_e:]]
            size = sum(map(len, tails))
            pad = -size % 8
            if 8 + size + pad >= len(writer.data):
                continue
            head = bytes(
                [17, (size + pad) // 8, 3, len(tails), cmpr_i << 4 | cmpr_e, pad << 4, 0, 0]
            )
            octets, destination = head + b"".join(tails) + bytes(pad), hops[0]
            arrived, finals = [], []
            for _ in hops[1:]:
                finals.append(destination.packed[:cmpr_e] + tails[-1])
                octets, destination = visit(octets, destination)
                arrived.append(destination)
            assert tuple(arrived) != hops[1:] or set(finals) != {hops[-1].packed}


def route(
    next_header: int, segments_left: int, addresses: tuple[bytes, ...], *sizes: int
) -> SourceRoute:
    """Return a source route; ``sizes`` are CmprI, CmprE and Pad, where they are not 0."""
    return SourceRoute(
        next_header=next_header,
        segments_left=segments_left,
        addresses=addresses,
        **dict(zip(("cmpr_i", "cmpr_e", "pad"), sizes, strict=False)),
    )


@given(routes)
def test_route_comes_back(hops: tuple[IPv6Address, ...]) -> None:
    route = source_route.compress(hops[0], hops[1:], ipv6.UDP)
    writer = Writer()
    source_route.encode(writer, route)
    reader = Reader(bytes(writer.data))
    assert source_route.decode(reader) == route
    assert route.expand(hops[0]) == hops[1:]
    assert reader.spans == writer.spans
    assert tiles(reader.spans, len(writer.data) * 8)
    ends = chain.PseudoHeader(ROOT, hops[0])
    assert ends.behind(bytes(writer.data)) == ends.through(route) == (ROOT, hops[-1], False)


def test_sizes_of_whole_addresses() -> None:
    """RFC 6554 section 3 with CmprI = CmprE = 0: 8 octets and 16 an address, so 72 for 4 and 184 for 11."""
    for count, size in ((1, 24), (4, 72), (11, 184)):
        writer = Writer()
        source_route.encode(writer, route(17, count, (bytes(16),) * count))
        assert len(writer.data) == size


def test_the_longest_source_route() -> None:
    """RFC 8200 section 4.4: 8 bits count units of 8 octets after the first, so 2040 octets of addresses and no more."""
    writer = Writer()
    source_route.encode(writer, route(17, 1, (bytes(16),) * 127 + (bytes(8),), 0, 8))
    assert len(writer.data) == 8 + 2040
    assert writer.data[1] == 255
    with pytest.raises(RequestError):
        source_route.encode(Writer(), route(17, 1, (bytes(16),) * 128, 0, 0))


@pytest.mark.parametrize(
    ("destination", "hops"),
    [
        (ROOT, ()),
        (ROOT, (ROOT,)),
        (ROOT, (NODE, NODE)),
        (ROOT, (NODE, IPv6Address("ff02::1a"))),
        (IPv6Address("ff02::1a"), (NODE,)),
        (ROOT, tuple(IPv6Address(number << 112 | number) for number in range(1, 150))),
    ],
    ids=["none", "destination again", "twice", "multicast", "to multicast", "too long"],
)
def test_route_that_must_not_be_made(
    destination: IPv6Address, hops: tuple[IPv6Address, ...]
) -> None:
    """RFC 6554 section 3: no address twice, no multicast address; Hdr Ext Len counts to 255."""
    with pytest.raises(RequestError):
        source_route.compress(destination, hops, ipv6.UDP)


@pytest.mark.parametrize(
    "route",
    [
        route(17, 0, ()),
        route(17, 1, (bytes(15),)),
        route(17, 2, (bytes(16),)),
        route(17, 2, (bytes(8),), 8, 8),  # more segments left than addresses
        route(17, 1, (bytes(16),), 0, 0, 8),  # "Pad MUST carry a value of 0"
        route(17, 1, (bytes(1),), 15, 15, 6),  # no multiple of 8
        route(17, 1, (bytes(8), bytes(4)), 8, 8, 4),
    ],
    ids=repr,
)
def test_route_that_does_not_fit_is_a_request_error(route: SourceRoute) -> None:
    with pytest.raises(RequestError):
        source_route.encode(Writer(), route)
