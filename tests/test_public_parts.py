"""The classes of what results and designs are made of: each is there by its public name, and tells what it holds."""

from fractions import Fraction
from ipaddress import IPv6Network
from pathlib import Path
from typing import Any, get_type_hints

import pytest
from contract import air

from lowpanbudget import (
    Access,
    Aead,
    Application,
    Battery,
    BitmapEntry,
    BrokenLimit,
    Budget,
    Burst,
    ClockLeap,
    Coap,
    CoapMessage,
    CoapOption,
    CoapType,
    CodedOctets,
    ContentLayout,
    ContentType,
    Contexts,
    CountedFrames,
    Decoder,
    Delays,
    Dtls,
    EndBeyond,
    Env,
    Field,
    Fit,
    FlowPath,
    FrameLoss,
    FrameType,
    FrozenDict,
    GoneContext,
    HeadersCut,
    HeaderSizes,
    HiddenOctets,
    Hop,
    HopLoad,
    Icmpv6,
    Key,
    Limits,
    LossRuns,
    LostOnLink,
    Mac,
    MeasuredFlow,
    MeasuredRecovery,
    Measurement,
    MessageAirtime,
    NumberedAnew,
    OffsetBeyond,
    OldMessage,
    OptionDefinition,
    OptionSize,
    Order,
    Oscore,
    Outcome,
    PhyTiming,
    Place,
    Radio,
    Reader,
    RelayWait,
    RhythmPart,
    Routing,
    Security,
    SecurityLevel,
    SendQueue,
    SizeImpossible,
    SizeTooSmall,
    Sleep,
    Slots,
    SlotTemplate,
    StandIn,
    StandInOctets,
    TimePart,
    Tree,
    Unknown,
    UnknownContext,
    UnknownLinkAddress,
    UnknownRoot,
    Upkeep,
    WireError,
    Writer,
    budget,
    carry,
    compatible,
    decode_datagram,
    decode_frame,
    decompress,
    dtls_suite,
    encode_frame,
    fit,
    load_design,
    survey,
)

EXAMPLES = Path(__file__).parents[1] / "examples"
ARCHIVE, FOOTBRIDGE = (load_design(EXAMPLES / f"{name}.toml") for name in ("archive", "footbridge"))


def test_a_budget_tells_its_path() -> None:
    one: Budget = budget(ARCHIVE, "climate")[0]
    path: FlowPath = one.path
    hop, sizes = path.hop, path.header_sizes
    assert (type(path), type(hop), type(sizes)) == (FlowPath, Hop, HeaderSizes)
    assert (hop.name, len(hop.source), hop.hop_limit) == ("first", 2, 64)
    assert sizes.of_datagram == 40 + 8  # RFC 8200 section 3, RFC 768
    # IEEE 802.15.4-2020 clause 12, from memory: 16 us a symbol, 2 an octet, 4 octets of preamble, SFD and PHR
    timing = path.link.timing
    assert (type(timing), timing.symbol, timing.octet) == (PhyTiming, Fraction(16), Fraction(32))
    assert timing.before_frame[:2] == (
        TimePart("preamble", Fraction(128)),
        TimePart("SFD", Fraction(32)),
    )
    shown = [span.value for span in one.ledger]
    assert {StandInOctets} <= {type(value) for value in shown}


def test_a_design_is_made_of_its_tables() -> None:
    design: Any = FOOTBRIDGE
    kinds = (Access, Tree, FrameLoss, SendQueue, Upkeep, Radio, Battery, Limits)
    found = (
        design.access,
        design.tree,
        design.loss,
        design.queue,
        design.upkeep,
        design.radio,
        design.battery,
        design.limits,
    )
    assert tuple(map(type, found)) == kinds
    assert (type(design.access.slots), type(design.access.slots.template)) == (Slots, SlotTemplate)
    assert design.access.slots.slotframe_s == pytest.approx(101 * 0.010)  # slots of 10 ms
    assert len(design.tree.parents) == 1 + 38
    (burst,) = design.bursts
    assert (type(burst), burst.packets) == (Burst, 100)
    blocks, routed = design.flow("blocks"), design.flow("routed")
    assert (type(routed.routing), routed.routing.route) == (Routing, 7)
    around = blocks.application
    assert (type(around), type(around.coap), type(around.oscore)) == (Application, Coap, Oscore)
    assert around.coap.type is CoapType.NON
    # the error of an octet is independent: half of the octets are right with the root of the chance
    assert FrameLoss(0.1, 100, None).of(50) == pytest.approx(1 - 0.9**0.5)
    assert LossRuns(0.0, 0.5, 20.0, 0.1).bad_share == 0.1
    assert Sleep(60.0, 10.0, None, 4, None).poll_s == 60.0
    assert Dtls(dtls_suite("TLS_PSK_WITH_AES_128_CCM_8"), cid=b"\1").cid == b"\1"


def test_numbers_of_the_standards_have_names() -> None:
    # RFC 7252 section 3; RFC 5246 section 6.2.1; IEEE 802.15.4-2006 table 79, from memory
    assert [CoapType(number).name for number in range(4)] == ["CON", "NON", "ACK", "RST"]
    assert (ContentType.HANDSHAKE, ContentType.APPLICATION) == (22, 23)
    assert [FrameType(number).name for number in range(4)] == [
        "BEACON",
        "DATA",
        "ACKNOWLEDGEMENT",
        "COMMAND",
    ]
    # IEEE 802.15.4-2006 table 95, from memory: ENC-MIC-32
    level: SecurityLevel = Security(5, 1, 0, None, 1).protection
    assert (type(level), level.encrypted, level.mic) == (SecurityLevel, True, 4)
    aead: Aead = dtls_suite("TLS_PSK_WITH_AES_128_CCM_8").aead
    assert (aead.key, aead.nonce, aead.tag) == (16, 12, 8)  # RFC 6655 section 3
    definition = CoapOption.of("Uri-Path", "a").definition
    assert isinstance(definition, OptionDefinition)
    assert (definition.number, definition.repeatable) == (11, True)  # RFC 7252 table 4


def test_a_frame_tells_where_nothing_depends_on_octets() -> None:
    frame = decode_frame(encode_frame(Mac(sequence=9), b"").octets)
    assert Place(2, 3) in frame.free  # the sequence number


class Halves:
    """Two octets, told one by one."""

    def read(self, reader: Reader) -> tuple[int, int]:
        first, second = reader.octets(1, "first half"), reader.octets(1, "second half")
        return first[0], second[0]


def test_a_layout_of_ones_own_tells_the_octets_of_an_application() -> None:
    layout: ContentLayout = Halves()
    datagram = air.udp_datagram(air.ip_of(air.short(1)), air.ip_of(air.short(2)), b"\7\x08")
    (octets,) = air.frames_of(datagram, air.short(1), air.short(2))
    port = int.from_bytes(datagram[42:44], "big")
    frame = Decoder(contexts=air.CONTEXTS, layouts={port: layout}).frame(octets)
    assert {"first half", "second half"} <= {span.name for span in frame.spans}


def test_what_a_message_takes_with_each_option_of_a_union() -> None:
    """By hand, of examples/footbridge.toml: version, tag and sequence take 16 bits.

    With an overload there are 13 more (8001 strains), with a door one. An impact has 16 for its energy, a sample of 12,
    and 15 differences in groups of 3: of 4 bits at least, and of 5 groups at most (2 * 4095 needs 13 bits).
    """
    one, *_ = fit(FOOTBRIDGE, "event")
    assert one.options == (
        OptionSize("what", "impact", 13, 43),
        OptionSize("what", "overload", 4, 4),
        OptionSize("what", "door", 3, 3),
        OptionSize("what", "heartbeat", 2, 2),
    )
    assert -(-(16 + 16 + 12 + 15 * 4) // 8) == 13
    assert -(-(16 + 16 + 12 + 15 * 5 * 4) // 8) == 43


def test_a_message_reads_and_writes_where_others_do() -> None:
    message = ARCHIVE.message("climate")
    values, writer = message.example("typical"), Writer()
    message.write(writer, values)
    assert bytes(writer.data) == message.pack(values)
    assert message.read(Reader(bytes(writer.data))) == values
    assert all(isinstance(field, Field) for field in message.fields)
    assert (type(message.order), message.order.byte_order) == (Order, "little")
    one: Fit = fit(ARCHIVE, "climate")[0]
    assert all(type(entry) is BitmapEntry for entry in one.bitmap)
    assert one.options == ()
    assert encode_frame(Mac(), writer).octets == encode_frame(Mac(), bytes(writer.data)).octets


def lowpan(text: str, env: Env | None = None) -> Any:
    with pytest.raises(WireError) as caught:
        decompress(bytes.fromhex(text), env or Env())
    return caught.value.about


def test_a_fault_tells_what_it_is_about_as_data() -> None:
    # RFC 6282 figure 2: SAC with SAM 11 leans on context 0; with SAC 0 on the link address
    assert lowpan("7a 73 3a 00") == UnknownContext(0, None)
    assert lowpan("7a 33 3a 00") == UnknownLinkAddress()
    mac = "418801341202000100"
    # RFC 4944 section 5.3: datagram_size of 11 bits, tag, datagram_offset in units of 8 octets
    for octets, about in (
        ("c000 0001", SizeImpossible(0)),
        ("e028 0001 10" + "00" * 8, OffsetBeyond(128)),
        ("e02c 0001 05" + "00" * 8, EndBeyond(40, 48, 44)),
    ):
        fault = decode_frame(bytes.fromhex(mac + octets), fcs=False).fault
        assert fault is not None
        assert fault.about == about
        with pytest.raises(AttributeError):
            fault.about = None
    assert {HeadersCut(3).octets, SizeTooSmall(48, 40).octets} == {3, 48}
    assert UnknownRoot() == ()


def test_a_context_that_is_gone_says_why() -> None:
    gone = GoneContext(IPv6Network("2001:db8::/64"), "ran out")
    assert Contexts().after({3: gone}).gone(3) == gone


def test_octets_of_keys_do_not_show() -> None:
    octets = Key(bytes(range(16))).octets
    assert isinstance(octets, HiddenOctets)
    assert bytes(range(16)).hex() not in repr(octets)


def test_dictionaries_of_results_refuse_to_be_changed() -> None:
    held = FrozenDict({1: 2})
    with pytest.raises(TypeError, match="dict"):
        held[1] = 3
    assert hash(held) == hash(FrozenDict({1: 2}))


@pytest.mark.usefixtures("played_once")
def test_what_the_network_makes_of_messages() -> None:
    network = carry(FOOTBRIDGE)
    delays = next(one.delays for one in network.services if one.delays is not None)
    assert isinstance(delays, Delays)
    assert delays.within(0) <= delays.within(60) <= delays.delivered <= 1
    assert get_type_hints(type(network))["hops"] == tuple[HopLoad, ...]
    assert get_type_hints(MessageAirtime)["broken"] == tuple[BrokenLimit, ...]


def test_what_a_capture_is_measured_in() -> None:
    hints = get_type_hints(Measurement)
    assert (hints["leap"], hints["recovery"]) == (ClockLeap | None, MeasuredRecovery | None)
    hints = get_type_hints(MeasuredFlow)
    assert (hints["old"], hints["waits"]) == (tuple[OldMessage, ...], tuple[RelayWait, ...])
    assert hints["lost"] == tuple[LostOnLink, ...]
    assert (hints["anew"], hints["rhythm"]) == (tuple[NumberedAnew, ...], tuple[RhythmPart, ...])
    found: CountedFrames = survey(EXAMPLES / "archive.pcap").shares
    assert found.columns + found.followed >= 0


def test_a_comparison_of_formats_ends_in_an_outcome() -> None:
    (one, *_) = compatible(ARCHIVE, ARCHIVE)
    assert one.outcome is Outcome.RIGHT


def test_values_that_only_show_a_size() -> None:
    assert (StandIn(5), CodedOctets(b"a")) == (5, b"a")


def test_a_message_that_is_not_read_further_keeps_its_octets() -> None:
    # type 100 is for private experiments (RFC 4443 section 2.1)
    octets = bytes.fromhex("60000000 0006 3a ff") + bytes(32) + bytes.fromhex("6405 0000 0102")
    header = decode_datagram(octets).packet.find(Icmpv6)
    assert header is not None
    assert header.message == Unknown(type=100, code=5, body=b"\1\2")


def test_a_type_of_coap_is_a_number() -> None:
    assert CoapMessage(CoapType.CON, 1, 2).type == 0
