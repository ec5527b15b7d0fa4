"""What stands behind MAC headers: contents of information elements, beacons, commands, in ``construct``.

FROM MEMORY of IEEE 802.15.4-2015 clauses 7.3, 7.4 and 7.5, but for the element of the IETF: that is RFC 8137 section 4.
Fields have the names that spans and vectors give them, so that both readings can be compared.
"""

from construct import (
    Array,
    BitsInteger,
    BitStruct,
    Byte,
    Bytes,
    BytesInteger,
    ByteSwapped,
    Construct,
    Flag,
    GreedyBytes,
    If,
    Int16ul,
    Int24ul,
    Int32ul,
    Optional,
    Select,
    Struct,
    Tell,
    Terminated,
    this,
)
from second_mac.headers import (
    PAYLOAD_FOLLOWS,
    PAYLOAD_IES_FOLLOW,
    PAYLOAD_TERMINATION,
    little,
    number,
)


def reserved(bits: int) -> Construct:
    """Return bits that the edition reserves; told only where they are not 0."""
    return "reserved" / BitsInteger(bits)


OUI = ByteSwapped(Bytes(3))
VENDOR = Struct("oui" / OUI, "vendor_content" / GreedyBytes)

TIMES = [
    "cca_offset",
    "cca",
    "tx_offset",
    "rx_offset",
    "rx_ack_delay",
    "tx_ack_delay",
    "rx_wait",
    "ack_wait",
    "rx_tx",
    "max_ack",
]


def timeslot(longest: Construct) -> Construct:
    """Return a timeslot template whose last two times have this length: 2015, clause 7.4.4.4, figure 7-54."""
    return Struct(
        "timeslot_template_id" / Byte,
        *[name / Int16ul for name in TIMES],
        "max_tx" / longest,
        "timeslot_length" / longest,
        Terminated,
    )


LINK = Struct(  # 2015, clause 7.4.4.3, figures 7-51 to 7-53
    "timeslot" / Int16ul,
    "channel_offset" / Int16ul,
    "options"
    / BitStruct(
        reserved(3),
        "priority" / Flag,
        "timekeeping" / Flag,
        "shared" / Flag,
        "rx" / Flag,
        "tx" / Flag,
    ),
)
SLOTFRAME = Struct(
    "slotframe_handle" / Byte,
    "slotframe_size" / Int16ul,
    "count" / Byte,
    "links" / Array(this.count, LINK),
)
HOPPING = (
    Struct(  # 2015, clause 7.4.4.31; channel pages 9 and 10 have a bitmap of a bit for each channel
        "hopping_sequence_id" / Byte,
        "channel_page" / Byte,
        "number_of_channels" / Int16ul,
        "phy_configuration" / Int32ul,
        "extended_bitmap"
        / If(
            lambda one: one.channel_page in {9, 10},
            Bytes(lambda one: (one.number_of_channels + 7) // 8),
        ),
        "count" / Int16ul,
        "hopping_sequence" / Array(this.count, Int16ul),
        "current_hop" / Int16ul,
        Terminated,
    )
)
FILTER = Struct(  # 2015, clause 7.4.4.6: enhanced beacon filter
    "flags"
    / BitStruct(
        reserved(3),
        number("count", 2),
        "include_percent_filter" / Flag,
        "include_link_quality_filter" / Flag,
        "permit_joining_on" / Flag,
    ),
    "link_quality" / If(this.flags.include_link_quality_filter, Byte),
    "percent_filter" / If(this.flags.include_percent_filter, Byte),
    "pib_identifiers" / Array(this.flags.count, Byte),
    Terminated,
)
SYNCHRONIZATION = Struct(
    "asn" / BytesInteger(5, swapped=True), "join_metric" / Byte, Terminated
)  # 2015, clause 7.4.4.2

HEADER_CONTENTS = {  # 2015, table 7-7
    0x00: VENDOR,
    0x1A: Select(  # CSL, clause 7.4.2.3
        Struct("csl_phase" / Int16ul, "csl_period" / Int16ul, Terminated),
        Struct("csl_phase" / Int16ul, "csl_period" / Int16ul, "rendezvous_time" / Int16ul, Terminated),
    ),
    0x1B: Struct(  # RIT, clause 7.4.2.4
        "time_to_first_listen" / Byte,
        "number_of_repeat_listen" / Byte,
        "repeat_listen_interval" / Int16ul,
        Terminated,
    ),
    0x1D: Struct("rendezvous_time" / Int16ul, "wake_up_interval" / Int16ul, Terminated),  # 7.4.2.6
    0x1E: Struct(  # time correction, clause 7.4.2.7, table 7-8
        "word" / little("nack" / Flag, reserved(3), "time_correction" / BitsInteger(12, signed=True)), Terminated
    ),
    PAYLOAD_IES_FOLLOW: Struct(Terminated),
    PAYLOAD_FOLLOWS: Struct(Terminated),
}  # fmt: skip
PAYLOAD_CONTENTS = {  # 2015, table 7-15
    0x2: VENDOR,
    0x5: Struct(
        "subtype_id" / Byte, "subtype_content" / GreedyBytes
    ),  # RFC 8137 section 4, figure 1
    PAYLOAD_TERMINATION: Struct(Terminated),
}
MLME = 0x1
SHORT_CONTENTS = {  # 2015, table 7-16
    0x1A: SYNCHRONIZATION,
    0x1B: Struct("count" / Byte, "slotframes" / Array(this.count, SLOTFRAME), Terminated),
    0x1C: Select(
        Struct("timeslot_template_id" / Byte, Terminated), timeslot(Int16ul), timeslot(Int24ul)
    ),
    0x1E: FILTER,
    0x1F: Struct("metric_id" / Byte, "metric_count" / Int32ul, Terminated),
    0x40: VENDOR,
}
LONG_CONTENTS = {  # 2015, table 7-17
    0x8: VENDOR,
    0x9: Select(Struct("hopping_sequence_id" / Byte, Terminated), HOPPING),
}

SUPERFRAME = Struct(  # 2006, clause 7.2.2.1, figures 44 to 50: what of a beacon is never encrypted
    "word"
    / little(
        "association_permit" / Flag,
        "pan_coordinator" / Flag,
        reserved(1),
        "battery_life_extension" / Flag,
        number("final_cap_slot", 4),
        number("superframe_order", 4),
        number("beacon_order", 4),
    ),
    "gts" / BitStruct("gts_permit" / Flag, reserved(4), number("count", 3)),
    "directions" / If(this.gts.count > 0, Byte),
    "slots"
    / Array(
        this.gts.count,
        Struct(
            "short_address" / Int16ul, "word" / BitStruct(number("length", 4), number("start", 4))
        ),
    ),
    "pending" / BitStruct(reserved(1), number("extended", 3), reserved(1), number("short", 3)),
    "pending_short" / Array(this.pending.short, Int16ul),
    "pending_extended" / Array(this.pending.extended, ByteSwapped(Bytes(8))),
    "end" / Tell,
)

CAPABILITY = BitStruct(  # 2015, clause 7.5.2, figure 7-72; bit 0 is the 2006 edition's, bit 4 the 2015 edition's
    "allocate_address" / Flag,
    "security_capable" / Flag,
    reserved(1),
    "fast_association" / Flag,
    "receiver_on_when_idle" / Flag,
    "mains_powered" / Flag,
    "full_function_device" / Flag,
    "alternate_PAN_coordinator" / Flag,
)
COMMANDS = {  # 2006, table 82; 2015, table 7-49
    1: Struct("capability" / CAPABILITY),
    2: Struct("short_address" / Int16ul, "association_status" / Byte),
    3: Struct("disassociation_reason" / Byte),
    4: Struct(),
    5: Struct(),
    6: Struct(),
    7: Struct(),
    8: Struct(
        "pan_id" / Int16ul,
        "coordinator_short_address" / Int16ul,
        "channel_number" / Byte,
        "short_address" / Int16ul,
        "channel_page" / Optional(Byte),
    ),
    9: BitStruct(reserved(2), "characteristics_type" / Flag, "gts_direction" / Flag, number("gts_length", 4)),
    0x24: VENDOR,
}  # fmt: skip
