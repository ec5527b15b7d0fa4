"""The public surface as somebody uses it whose programs pass ``mypy --strict``: what is found has its type.

``test_public_types.py`` runs these functions, and has mypy read them beside the package as it is installed.
"""

from collections.abc import Mapping
from io import BytesIO
from ipaddress import IPv6Address
from pathlib import Path
from typing import Any, assert_type

from lowpanbudget import (
    Beacon,
    Budget,
    CapturedFrame,
    CaptureFile,
    CaptureFindings,
    CarriedNetwork,
    Carrying,
    Cell,
    CoapMessage,
    CoapOption,
    Command,
    Complete,
    Compressed,
    Context,
    Contexts,
    Datagram,
    Decoder,
    Decompressed,
    Design,
    Dio,
    Discarded,
    EchoRequest,
    Encoded,
    Env,
    Explanation,
    Finding,
    Fit,
    FlowKey,
    Fragment,
    Frame,
    FrameList,
    FrameRow,
    Generated,
    Head,
    Icmpv6,
    Ignored,
    Iphc,
    Ipv6,
    Key,
    Mac,
    Matched,
    Mesh,
    Message,
    Metric,
    MetricContainer,
    Notice,
    OptionsHeader,
    Packet,
    PadN,
    PrefixInformation,
    Reassembler,
    Record,
    Restored,
    Rfrag,
    RouterAdvertisement,
    Rpi,
    RplOption,
    Saving,
    Security,
    SourceRoute,
    Span,
    SrhLorh,
    Survey,
    Tally,
    TimedOut,
    Udp,
    WireError,
    annotate,
    audit,
    budget,
    carry,
    carrying,
    coap_path,
    compress,
    decode_datagram,
    decode_frame,
    decompress,
    encode_frame,
    explain,
    fit,
    follow,
    frame_rows,
    generate,
    list_frames,
    load_design,
    read_capture,
    read_coap,
    review,
    split,
    survey,
    write_coap,
    write_header,
    write_icmpv6,
    write_pcap,
)

NODE, ROOT = IPv6Address("fe80::1"), IPv6Address("fe80::2")


def frames(octets: bytes) -> Frame:
    """Decode a frame, find its headers, and look at what each is."""
    frame = decode_frame(octets, contexts={0: "2001:db8::/64"}, keys=[Key(bytes(16), index=1)])
    assert_type(frame, Frame)
    assert_type(frame.mac, Mac | None)
    assert_type(frame.payload, bytes | None)
    assert_type(frame.datagram, Datagram | None)
    assert_type(frame.fragment, Fragment | Rfrag | None)
    assert_type(frame.spans, tuple[Span, ...])
    assert_type(frame.notices, tuple[Notice, ...])
    assert_type(frame.fault, WireError | None)
    assert_type(frame.restored, tuple[Restored, ...])
    assert_type(frame.heads, tuple[Head, ...])
    packet = frame.packet
    assert_type(packet, Packet)
    assert_type(packet.find(Ipv6), Ipv6 | None)
    assert_type(packet.innermost(Iphc), Iphc | None)
    assert_type(packet.head(Mac), Head | None)
    assert_type(list(packet.all(Udp)), list[Udp])
    found = packet.find(Ipv6 | Udp)
    if isinstance(found, Udp):
        assert_type(found.source_port, int)
    for layer in frame.layers:
        if isinstance(layer, Mac):
            assert_type(layer.source, bytes | None)
        elif isinstance(layer, SrhLorh):
            assert_type(layer.hops, tuple[bytes, ...])
        elif isinstance(layer, Command):
            assert_type(layer.fields, Mapping[str, Any])
    message = packet.find(Icmpv6)
    if message is not None and isinstance(message.message, RouterAdvertisement):
        assert_type(message.message.cur_hop_limit, int)
        for option in message.message.options:
            if isinstance(option, PrefixInformation):
                assert_type(option.address, IPv6Address)
    elif message is not None and isinstance(message.message, Dio):
        for other in message.message.options:
            if isinstance(other, MetricContainer):
                assert_type(other.metrics, tuple[Metric, ...])
    decoder = Decoder(contexts=Contexts({0: Context("2001:db8::/64")}), devices={1: bytes(8)})
    assert_type(decoder.frame(octets), Frame)
    return frame


def headers() -> None:
    """Write headers, messages, datagrams and frames."""
    for header in (
        Mesh(3, b"\0\1", b"\0\2"),
        Fragment(200, 7),
        Rpi(1, 256),
        OptionsHeader(0, 17, (PadN(4), RplOption(rpl_instance_id=1, sender_rank=256))),
        SourceRoute(next_header=17, segments_left=1, addresses=(NODE.packed,)),
        Beacon(15),
        Udp(61616, 61617, 8, 0),
    ):
        assert_type(write_header(header), bytes)
    echo = write_icmpv6(EchoRequest(identifier=1, sequence_number=2), NODE, "fe80::2")
    datagram = write_header(Ipv6(0, 0, 0, 58, 64, NODE, ROOT), echo)
    assert_type(write_header(Udp(61616, 61617, 0, 0), b"21.5", NODE, ROOT), bytes)
    assert_type(decode_datagram(datagram), Frame)
    env = Env("0x0012", b"\0\1", contexts={0: "2001:db8::/64"})
    packed = compress(datagram, env)
    assert_type(packed, Compressed)
    assert_type(decompress(packed.octets, env), Decompressed)
    payloads = split(datagram, env, room=80, tag=1)
    assert_type(payloads, list[bytes])
    mac = Mac(
        1, 1, 7, 0xABCD, env.destination, None, bytes(8),
        pan_id_compression=True, security=Security(5, 1, 0, None, 1),
    )  # fmt: skip
    sent = encode_frame(mac, payloads[0], key=bytes(16))
    assert_type(sent, Encoded)
    for event in Reassembler().feed(frames(sent.octets), 1.0):
        assert_type(event, Complete | TimedOut | Discarded | Ignored)
    request = CoapMessage(0, 1, 2, options=(*coap_path("/a"), CoapOption.of("Accept", 60)))
    again = read_coap(write_coap(request))
    assert_type(again, CoapMessage)
    assert_type(again.options, tuple[CoapOption, ...])


def captures(path: Path, design: Design) -> None:
    """Read, follow, survey and audit a capture."""
    with read_capture(path) as capture:
        assert_type(capture, CaptureFile)
        records = list(capture)
    assert_type(records, list[Record])
    for one in follow(records, design=design, keys=[bytes(16)]):
        assert_type(one, CapturedFrame)
        assert_type(one.flow, FlowKey | None)
        assert_type(one.message, Matched | None)
    assert_type(annotate(path, [1, 2]), tuple[CapturedFrame, ...])
    findings = audit(path, design=design)
    assert_type(findings, CaptureFindings)
    assert_type(findings.findings, tuple[Finding, ...])
    counted = survey(path, every="1 min")
    assert_type(counted, Survey)
    assert_type(counted.cells, dict[Cell, Tally])
    assert_type(list_frames(path), FrameList)
    assert_type(list(frame_rows(path)), list[FrameRow])
    write_pcap(BytesIO(), records, 195)


def plans(path: Path) -> Design:
    """Read a design, and ask it."""
    design = load_design(path)
    assert_type(design, Design)
    for one in budget(design, "climate"):
        assert_type(one, Budget)
        assert_type(one.room, int)
        assert_type(one.savings, tuple[Saving, ...])
        assert_type(one.ledger.spans, tuple[Span, ...])
    assert_type(fit(design, "climate"), list[Fit])
    assert_type(carrying(design, 90, "climate"), list[Carrying])
    assert_type(review(design), tuple[Finding, ...])
    assert_type(explain("iphc"), tuple[Explanation, ...])
    message = design.message("climate")
    assert_type(message, Message)
    octets = message.pack(message.example("typical"))
    assert_type(octets, bytes)
    assert_type(message.unpack(octets), dict[str, Any])
    assert_type(generate(message), Generated)
    return design


def network(design: Design) -> CarriedNetwork:
    """Ask whether a network carries its messages."""
    carried = carry(design)
    assert_type(carried, CarriedNetwork)
    return carried
