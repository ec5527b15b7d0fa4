"""What single codes, flags and defaults mean, each against the section or table that assigns it."""

from typing import Any

import pytest

from lowpanbudget import RequestError
from lowpanbudget.bits import Reader, Writer
from lowpanbudget.fields import Layout, layout_of
from lowpanbudget.layers.internet import extension
from lowpanbudget.layers.internet.coap.block import block_text
from lowpanbudget.layers.internet.coap.codes import code_text
from lowpanbudget.layers.internet.dtls import record as dtls
from lowpanbudget.layers.internet.nd import lowpan_options
from lowpanbudget.layers.internet.oscore import option as oscore_option
from lowpanbudget.layers.internet.rpl import messages as rpl
from lowpanbudget.layers.internet.rpl import metrics
from lowpanbudget.layers.internet.rpl import options as rpl_options
from lowpanbudget.layers.link import (
    beacon,
    contents,
    control,
    header_contents,
    mlme_contents,
    tsch_contents,
)
from lowpanbudget.layers.link.timeslots import TEMPLATES
from lowpanbudget.layers.lowpan import lorh, recovery

DIO = layout_of(rpl.Dio)
ROOT = bytes(16).hex()


def meaning(read: Any, octets: str, field: str) -> str:
    """Return what the one span of this name says when these octets are read."""
    reader = Reader(bytes.fromhex(octets))
    read(reader)
    (said,) = [span.meaning for span in reader.spans if span.name == field]
    return said


# --- names: IEEE 802.15.4-2015, tables 7-7 and 7-16 to 7-18, from memory ---------------------------

HEADER_IES = {
    0x00: "vendor-specific header", 0x1A: "CSL", 0x1B: "RIT", 0x1C: "DSME PAN descriptor", 0x1D: "rendezvous time",
    0x1E: "time correction", 0x21: "extended DSME PAN descriptor", 0x22: "fragment sequence context description",
    0x23: "simplified superframe specification", 0x24: "simplified GTS specification", 0x25: "LECIM capabilities",
    0x26: "TRLE descriptor", 0x27: "RCC capabilities", 0x28: "RCCN descriptor", 0x29: "global time", 0x2B: "DA",
    0x7E: "header termination 1 IE: payload IEs follow", 0x7F: "header termination 2 IE: the payload follows",
}  # fmt: skip
SHORT_NESTED_IES = {
    0x1A: "TSCH synchronization", 0x1B: "TSCH slotframe and link", 0x1C: "TSCH timeslot", 0x1D: "hopping timing",
    0x1E: "enhanced beacon filter", 0x1F: "MAC metrics", 0x20: "all MAC metrics", 0x21: "coexistence specification",
    0x22: "SUN device capabilities", 0x23: "SUN FSK generic PHY", 0x24: "mode switch parameter",
    0x25: "PHY parameter change", 0x26: "O-QPSK PHY mode", 0x27: "PCA allocation", 0x28: "LECIM DSSS operating mode",
    0x29: "LECIM FSK operating mode", 0x2B: "TVWS PHY operating mode description",
    0x2C: "TVWS device capabilities", 0x2D: "TVWS device category", 0x2E: "TVWS device identification",
    0x2F: "TVWS device location", 0x30: "TVWS channel information query", 0x31: "TVWS channel information source",
    0x32: "CTM", 0x33: "timestamp", 0x34: "timestamp difference", 0x35: "TMCTP specification",
    0x36: "RCC PHY operating mode", 0x40: "vendor-specific nested",
}  # fmt: skip
LONG_NESTED_IES = {0x8: "vendor-specific nested", 0x9: "channel hopping"}


@pytest.mark.parametrize(
    ("table", "names"),
    [
        (header_contents.HEADER_IES, HEADER_IES),
        (mlme_contents.SHORT, SHORT_NESTED_IES),
        (mlme_contents.LONG, LONG_NESTED_IES),
    ],
)
def test_elements_have_their_ids(table: Any, names: dict[int, str]) -> None:
    assert {
        number: str(table.name_of(number)).removesuffix(" IE") for number in table.entries
    } == names


# --- meanings --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "says"),
    [
        # RFC 7252 section 3: classes 0, 2, 4 and 5; section 12.1: the others are reserved
        (0x1F, "0.31 unassigned request"),
        (0x3F, "1.31 of a reserved class"),
        (0x5E, "2.30 unassigned success"),
        (0x7F, "3.31 of a reserved class"),
        (0x9F, "4.31 unassigned client error"),
        (0xBF, "5.31 unassigned server error"),
        (0xC0, "6.00 of a reserved class"),
        (0xE0, "7.00 of a reserved class"),
    ],
)
def test_a_code_without_a_name_is_of_its_class(code: int, says: str) -> None:
    assert code_text(code) == says


def test_the_reserved_block_size() -> None:
    """RFC 7959 section 2.2: 2**(SZX + 4), and "the value 7 for SZX ... is reserved"."""
    assert "1024 octets" in block_text(0x06)
    assert "reserved" in block_text(0x07)
    assert "reserved" not in block_text(0x06)


@pytest.mark.parametrize(
    ("read", "octets", "field", "says"),
    [
        # RFC 9147 figure 3: C, S and L
        (dtls.UNIFIED.read, "20", "length present (L)", "ends the datagram"),
        (dtls.UNIFIED.read, "24", "length present (L)", "a length field"),
        (dtls.UNIFIED.read, "28", "sequence number length (S)", "2 octets"),
        (dtls.UNIFIED.read, "30", "connection ID present (C)", "a connection ID"),
        # RFC 6551 section 2.1: 0 additive, 1 maximum, 2 minimum, 3 multiplicative; A is three bits behind R
        (metrics.METRICS.read, "07 00 00 02 00 80", "aggregation", "additive"),
        (metrics.METRICS.read, "07 00 10 02 00 80", "aggregation", "maximum"),
        (metrics.METRICS.read, "07 00 20 02 00 80", "aggregation", "minimum"),
        (metrics.METRICS.read, "07 00 30 02 00 80", "aggregation", "multiplicative"),
        # RFC 6551 section 2.1: R is the bit ahead of A
        (metrics.METRICS.read, "07 00 80 02 00 80", "recorded", "recorded along the path"),
        (metrics.METRICS.read, "07 00 00 02 00 80", "recorded", "aggregated"),
        # RFC 6550 figure 15, the three bits behind G and 0
        (DIO.read, f"00 00 0000 {0 << 3:02x} 00 0000 {ROOT}", "mode", "no downward routes"),
        (DIO.read, f"00 00 0000 {1 << 3:02x} 00 0000 {ROOT}", "mode", "non-storing"),
        (DIO.read, f"00 00 0000 {2 << 3:02x} 00 0000 {ROOT}", "mode", "storing, no multicast"),
        (DIO.read, f"00 00 0000 {3 << 3:02x} 00 0000 {ROOT}", "mode", "storing with multicast"),
        (DIO.read, f"00 00 0000 {7 << 3:02x} 00 0000 {ROOT}", "mode", "reserved"),  # RFC 9008 section 4.1.2
        # RFC 9008 section 4.1.3 and figure: bit 3 of the flags
        (rpl_options.OPTIONS.read, f"04 0e 10 {bytes(13).hex()}", "rpi 0x23", "type 0x23"),
        (rpl_options.OPTIONS.read, f"04 0e 00 {bytes(13).hex()}", "rpi 0x23", "type 0x63"),
        # RFC 8613 section 6.1: h and k, the fourth and the fifth bit
        (oscore_option.decode, "18 00", "kid context flag (h)", "a kid context follows"),
        (oscore_option.decode, "08", "kid context flag (h)", "no kid context"),
        (oscore_option.decode, "08", "kid flag (k)", "the rest is the kid"),
        (oscore_option.decode, "10 00", "kid flag (k)", "no kid"),
        # RFC 8931 section 5.2: a bitmap of zeros is the NULL bitmap, which aborts; all ones is the FULL one
        (recovery.decode_ack, "ea 01 00 00 00 00", "bitmap", "abort"),
        (recovery.decode_ack, "ea 01 ff ff ff ff", "bitmap", "complete"),
        # RFC 6550 section 5.1: bit 0 clear is a global instance, set a local one, its number in six bits; the RPI-6LoRH
        # of RFC 8138 figure 9 has it in line where I is 0
        (lorh.decode, "80 05 05 00 01", "RPLInstanceID", "global instance 5"),
        (lorh.decode, "80 05 85 00 01", "RPLInstanceID", "local instance 5"),
        # IEEE 802.15.4-2006 figure 47 and clause 7.2.2.1.3, from memory: GTS permit is bit 7
        (beacon.GTS.read, "00", "GTS permit", "no slots"),
        (beacon.GTS.read, "80", "GTS permit", "may be asked for"),
        # IEEE 802.15.4-2015 clause 7.2.1, from memory: sequence number suppression is bit 8, IE present bit 9
        (control.CONTROL_2015.read, "41 a8", "sequence suppression", "a number follows"),
        (control.CONTROL_2015.read, "41 a9", "sequence suppression", "no sequence number"),
        (control.CONTROL_2015.read, "41 aa", "IE present", "elements follow"),
        # IEEE 802.15.4-2015 clause 7.4.4.6, from memory: bit 2 announces one octet of percentage
        (mlme_contents.FILTER.read, "04 32", "percent filter", "in percent"),
        # IEEE 802.15.4-2015 clause 7.4.4.31, from memory: hopping sequence 0 is the default
        (tsch_contents.HOPPING.read, "00", "hopping sequence id", "default"),
        (tsch_contents.HOPPING.read, "01", "hopping sequence id", "own"),
        (tsch_contents.HOPPING.read, "ff", "hopping sequence id", "own"),
    ],
)  # fmt: skip
def test_what_a_code_means(read: Any, octets: str, field: str, says: str) -> None:
    assert says in meaning(read, octets, field)


@pytest.mark.parametrize(
    ("bit", "field", "clear", "is_set"),
    [
        # IEEE 802.15.4-2015 figure 7-54 (capability information), bit by bit, from memory
        (1, "full-function device", "reduced-function", "full-function"),
        (2, "mains powered", "not mains", "mains powered"),
        (3, "receiver on when idle", "sleeps", "listens"),
        (4, "fast association", "ordinary", "fast"),
        (6, "security capable", "unsecured", "can send secured"),
        (7, "allocate address", "keeps", "wants a short address"),
    ],
)
def test_capabilities_of_who_associates(bit: int, field: str, clear: str, is_set: str) -> None:
    layout = contents.COMMANDS.content_of(0x01)
    assert layout is not None
    assert clear in meaning(layout.read, "00", field)
    assert is_set in meaning(layout.read, f"{1 << bit:02x}", field)


def test_the_direction_of_a_slot_is_a_bit_of_the_directions() -> None:
    """IEEE 802.15.4-2006 clause 7.2.2.1.4, from memory: a bit of the directions is 1 where the device receives."""
    # 15 + 15, 15 + flags; one descriptor, directions, address 0x0001, slot 7 of length 2; nothing pending
    read = beacon.decode(Reader(bytes.fromhex("ff cf 81 00 01 00 27 00")))
    assert read.slots == (beacon.GuaranteedSlot(1, 7, 2),)
    read = beacon.decode(Reader(bytes.fromhex("ff cf 81 01 01 00 27 00")))
    assert read.slots == (beacon.GuaranteedSlot(1, 7, 2, receive=True),)


# --- what is not given is zero ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "octets"),
    [
        # figures of RFC 6551 sections 2.1, 3.1, 3.2 and of RFC 6553 section 3: flags that nobody sets are clear
        (metrics.NodeState(), "00 00"),
        (metrics.NodeState(overloaded=True), "00 01"),
        (metrics.NodeState(aggregator=True), "00 02"),
        (metrics.NodeEnergy(node_type=0), "00 00"),
        (metrics.NodeEnergy(node_type=3, included=True, estimated=True, energy=255), "0f ff"),
        # RFC 8505 figures 1 and 4: the octets behind type and length
        (
            lowpan_options.AddressRegistration(registration_lifetime=1, rovr=bytes(8)),
            "00 00 00 00 00 01 00 00 00 00 00 00 00 00",
        ),
        (
            lowpan_options.AddressRegistration(registration_lifetime=1, rovr=bytes(8), routing=True),
            "00 00 02 00 00 01 00 00 00 00 00 00 00 00",
        ),
        (lowpan_options.Capabilities(), "00 00 00 00 00 00"),
        (lowpan_options.Capabilities(extended_duplicate_address=True), "00 20 00 00 00 00"),
        (lowpan_options.Capabilities(router=True), "00 10 00 00 00 00"),
        (lowpan_options.Capabilities(border_router=True), "00 08 00 00 00 00"),
        (lowpan_options.Capabilities(routing_registrar=True), "00 04 00 00 00 00"),
        (lowpan_options.Capabilities(extended_registration=True), "00 02 00 00 00 00"),
        (lowpan_options.Capabilities(generic_header_compression=True), "00 01 00 00 00 00"),
    ],
)  # fmt: skip
def test_flags_that_are_not_given_are_clear(value: Any, octets: str) -> None:
    layout: Layout[Any] = layout_of(type(value))
    writer = Writer()
    layout.write(writer, value)
    assert bytes(writer.data) == bytes.fromhex(octets)


# --- lengths ---------------------------------------------------------------------------------------


def routing(data: bytes) -> extension.RoutingHeader:
    return extension.RoutingHeader(next_header=59, routing_type=200, segments_left=0, data=data)


def test_an_extension_header_holds_2048_octets_and_no_more() -> None:
    """RFC 8200 section 4.4: 8 bits of "8-octet units, not including the first 8 octets"."""
    writer = Writer()
    extension.encode(writer, routing(bytes(2044)))
    assert len(writer.data) == 2048
    assert writer.data[1] == 255
    with pytest.raises(RequestError, match="2056"):
        extension.encode(Writer(), routing(bytes(2052)))


# --- timeslots -------------------------------------------------------------------------------------

SLOTS = {
    # IEEE 802.15.4-2015 table 8-83 (10 ms), RFC 8180 appendix A (15 ms), from memory
    "10ms": {
        "length": 10_000, "tx_offset": 2_120, "rx_offset": 1_020, "rx_wait": 2_200, "tx_ack_delay": 1_000,
        "rx_ack_delay": 800, "ack_wait": 400, "max_tx": 4_256, "max_ack": 2_400, "cca_offset": 1_800, "cca": 128,
    },
    "15ms": {
        "length": 15_000, "tx_offset": 3_180, "rx_offset": 1_680, "rx_wait": 3_300, "tx_ack_delay": 1_500,
        "rx_ack_delay": 1_200, "ack_wait": 600, "max_tx": 4_256, "max_ack": 2_400, "cca_offset": 2_700, "cca": 128,
    },
}  # fmt: skip


@pytest.mark.parametrize("name", SLOTS)
def test_times_of_a_slot(name: str) -> None:
    template = TEMPLATES[name]
    assert {key: getattr(template, key) for key in SLOTS[name]} == SLOTS[name]
    assert (
        template.max_tx == (6 + 127) * 32
    )  # the longest frame behind its preamble, 32 µs an octet
    # an acknowledgement is awaited as long before its time as after it
    assert template.ack_wait == 2 * (template.tx_ack_delay - template.rx_ack_delay)
