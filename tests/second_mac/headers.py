"""Layouts of IEEE 802.15.4 MAC headers in ``construct``, which share nothing with the package.

Written without reading the package. The IEEE text is not free, so every layout and table here is FROM MEMORY of
editions 2003, 2006 and 2015, with its clause; one has another source and says so: the rows of table 7-2.
"""

from typing import Any

from construct import (
    BitsInteger,
    BitStruct,
    Byte,
    Bytes,
    ByteSwapped,
    Computed,
    Const,
    Construct,
    ConstructError,
    Error,
    Flag,
    If,
    Int16ul,
    Int32ul,
    Pass,
    Select,
    Struct,
    Switch,
    this,
)

BEACON, DATA, ACKNOWLEDGEMENT, COMMAND, MULTIPURPOSE = 0, 1, 2, 3, 5  # 2015, table 7-1
NONE, SHORT, EXTENDED = 0, 2, 3  # 2015, table 7-3; 1 is reserved
PAYLOAD_IES_FOLLOW, PAYLOAD_FOLLOWS = 0x7E, 0x7F  # 2015, table 7-7
PAYLOAD_TERMINATION = 0xF  # 2015, table 7-15
MIC_OCTETS = (0, 4, 8, 16, 0, 4, 8, 16)  # 2015, table 9-6, by security level


def little(*fields: Any) -> Construct:
    """Return a word, first octet on the air least significant; fields stand from its most significant bit down."""
    return ByteSwapped(BitStruct(*fields))


def number(name: str, bits: int) -> Construct:
    return name / BitsInteger(bits)


# 2015, clause 7.2.2, figure 7-2. Editions 2003 and 2006 have reserved bits at 7, 8 and 9, and 2003 at 12 and 13 too.
CONTROL = little(
    number("source_mode", 2),
    number("version", 2),
    number("destination_mode", 2),
    "ie_present" / Flag,
    "suppressed" / Flag,
    "reserved" / Flag,
    "compressed" / Flag,
    "ack_request" / Flag,
    "pending" / Flag,
    "secured" / Flag,
    number("type", 3),
)

# 2015, clause 7.3.5, figure 7-17: a frame control of one octet; a longer one has a second where "long" is set.
SHORT_MULTIPURPOSE = BitStruct(
    number("source_mode", 2),
    number("destination_mode", 2),
    "long" / Const(0, BitsInteger(1)),
    number("type", 3),
    **{
        name: Computed(0)
        for name in (
            [
                "version",
                "ie_present",
                "suppressed",
                "reserved",
                "pan_present",
                "ack_request",
                "pending",
                "secured",
            ]
        )
    },
)
LONG_MULTIPURPOSE = little(
    "ie_present" / Flag,
    "ack_request" / Flag,
    number("version", 2),
    "pending" / Flag,
    "suppressed" / Flag,
    "secured" / Flag,
    "pan_present" / Flag,
    number("source_mode", 2),
    number("destination_mode", 2),
    "long" / Const(1, BitsInteger(1)),
    number("type", 3),
)

# Table 7-2 of the 2015 edition, as public sources quote it (rows 9-14 in three lines each): (destination mode, source
# mode, PAN ID compression) to (destination PAN ID, source PAN ID). Rows 1 to 6 first, "any" written out.
TABLE_7_2 = {
    (NONE, NONE, 0): (False, False),
    (NONE, NONE, 1): (True, False),
    (SHORT, NONE, 0): (True, False),
    (EXTENDED, NONE, 0): (True, False),
    (SHORT, NONE, 1): (False, False),
    (EXTENDED, NONE, 1): (False, False),
    (NONE, SHORT, 0): (False, True),
    (NONE, EXTENDED, 0): (False, True),
    (NONE, SHORT, 1): (False, False),
    (NONE, EXTENDED, 1): (False, False),
    (EXTENDED, EXTENDED, 0): (True, False),
    (EXTENDED, EXTENDED, 1): (False, False),
    (SHORT, SHORT, 0): (True, True),
    (SHORT, EXTENDED, 0): (True, True),
    (EXTENDED, SHORT, 0): (True, True),
    (SHORT, EXTENDED, 1): (True, False),
    (EXTENDED, SHORT, 1): (True, False),
    (SHORT, SHORT, 1): (True, False),
}


def pan_ids(control: Any) -> tuple[bool, bool]:
    """Return whether the destination's and the source's PAN ID are carried."""
    destination, source = control.destination_mode, control.source_mode
    if (
        control.type == MULTIPURPOSE
    ):  # 2015, clause 7.3.5: at most the destination's, by its own bit
        return bool(control.pan_present), False
    if control.version == 2:
        return TABLE_7_2[destination, source, int(control.compressed)]
    # 2006, clauses 7.2.1.1.5, 7.2.1.3 and 7.2.1.5: left out only where both addresses are there and the bit is set
    return destination > 0, source > 0 and not (control.compressed and destination > 0)


# 2006, clause 7.6.2, figures 75-77; 2015, clause 9.4, figures 9-1 to 9-4. Bits 5 and 6 came with 802.15.4e-2012. In
# frames of version 1 the 2006 edition reserves them, while clause 9.4, as remembered, does not look at the version:
# taken as the 2015 edition has them, since nobody sets them who does not know them. No source was found to decide it.
AUXILIARY = Struct(
    "control"
    / BitStruct(
        "reserved" / Flag,
        "asn_in_nonce" / Flag,
        "suppressed" / Flag,
        number("key_id_mode", 2),
        number("level", 3),
    ),
    "frame_counter" / If(lambda one: not one.control.suppressed, Int32ul),
    "key_source"
    / Switch(
        this.control.key_id_mode,
        {2: ByteSwapped(Bytes(4)), 3: ByteSwapped(Bytes(8))},
        default=Pass,
    ),
    "key_index" / If(this.control.key_id_mode > 0, Byte),
)
ADDRESS = {NONE: Pass, SHORT: ByteSwapped(Bytes(2)), EXTENDED: ByteSwapped(Bytes(8))}


def header(control: Construct) -> Construct:
    """Return the layout of a header with this frame control: 2006, figure 41; 2015, figures 7-1 and 7-16."""
    return Struct(
        "control" / control,
        "sequence"
        / If(
            lambda one: (
                not (
                    one.control.suppressed
                    and (one.control.version == 2 or one.control.type == MULTIPURPOSE)
                )
            ),
            Byte,
        ),
        "pans" / Computed(lambda one: pan_ids(one.control)),
        "destination_pan" / If(this.pans[0], Int16ul),
        "destination" / Switch(this.control.destination_mode, ADDRESS, default=Error),
        "source_pan" / If(this.pans[1], Int16ul),
        "source" / Switch(this.control.source_mode, ADDRESS, default=Error),
        "security" / If(this.control.secured, AUXILIARY),
    )


HEADERS = {one: header(one) for one in (CONTROL, SHORT_MULTIPURPOSE, LONG_MULTIPURPOSE)}


def element(*head: Any) -> Construct:
    return Struct("head" / little(*head), "content" / Bytes(this.head.length))


# 2015, clauses 7.4.2.1, 7.4.3.1 and 7.4.4.1: type bit, id, length from the most significant bit down
HEADER_IE = element("type" / Const(0, BitsInteger(1)), number("id", 8), number("length", 7))
PAYLOAD_IE = element("type" / Const(1, BitsInteger(1)), number("id", 4), number("length", 11))
SHORT_NESTED = element("type" / Const(0, BitsInteger(1)), number("id", 7), number("length", 8))
LONG_NESTED = element("type" / Const(1, BitsInteger(1)), number("id", 4), number("length", 11))
NESTED = Select(SHORT_NESTED, LONG_NESTED)


def layout_of(octets: bytes) -> Construct:
    """Return the layout of the header that starts so, by frame type and, of multipurpose frames, the long bit."""
    if not octets:
        raise ConstructError("no octets")
    if octets[0] & 7 != MULTIPURPOSE:
        return HEADERS[CONTROL]
    return HEADERS[LONG_MULTIPURPOSE if octets[0] & 8 else SHORT_MULTIPURPOSE]
