"""The frame control field of IEEE 802.15.4: what the first octets of a frame say about the rest of its header.

    bit  0-2   3    4     5   6     7     8      9   10-11  12-13   14-15
        type  sec pending AR  comp  res  seq.s  IE   dst    version  src        (bits 8 and 9 in version 2 only)

    bit  0-2   3   4-5  6-7  |  8   9   10      11   12-13  14  15
        type long  dst  src  | PAN sec seq.s pending version AR  IE             (multipurpose; one octet unless long)

``shape`` remembers what a field means, since a network uses a handful of them. Clause numbers are from memory, and so
is the multipurpose field (2015 edition clause 7.3.5).
"""

from enum import IntEnum
from functools import lru_cache
from typing import NamedTuple

from lowpanbudget.bits import Span
from lowpanbudget.cites import Cite, ieee
from lowpanbudget.errors import NotSupported, Reserved, WireError
from lowpanbudget.fields import Bits, Header
from lowpanbudget.layers.link.addressing import (
    COMPRESSION,
    DESTINATION,
    MULTIPURPOSE,
    PAN_ID_PRESENT,
    SOURCE,
    Addressing,
    addressing,
)

CITE = ieee(2015, "7.2.2")
MULTIPURPOSE_CITE = ieee(2015, "7.3.5")
TYPES_CITE = ieee(2015, "table 7-1")
# "shall be nonzero" where the other mode is zero, but for acknowledgements and the destination of beacons
_NO_ADDRESS_CITE = ieee(2006, "7.2.1.1.6")
_ONE_ADDRESS_CITE = ieee(2006, "7.5.6.1")  # with one of them alone the bit "shall be set to zero"


class FrameType(IntEnum):
    """The frame types of a MAC header (IEEE 802.15.4-2015 table 7-1, from memory)."""

    BEACON = 0
    DATA = 1
    ACKNOWLEDGEMENT = 2
    COMMAND = 3
    RESERVED = 4
    MULTIPURPOSE = 5
    FRAGMENT = 6
    EXTENDED = 7


VERSIONS = {
    0: "IEEE 802.15.4-2003",
    1: "IEEE 802.15.4-2006",
    2: "IEEE 802.15.4-2015 and later",
    3: "reserved",
}
_TYPE = Bits("frame type", 3, {t: t.name.lower() for t in FrameType}, cite=TYPES_CITE)
_SECURITY = Bits("security", 1, {0: "not secured", 1: "an auxiliary security header follows"})
_PENDING = Bits("pending", 1, {0: "nothing waits", 1: "the sender holds more for the receiver"})
_ACK_REQUEST = Bits(
    "ack request", 1, {0: "no acknowledgement", 1: "an acknowledgement is asked for"}
)
_SUPPRESSION = Bits("sequence suppression", 1, {0: "a number follows", 1: "no sequence number"})
_IE_PRESENT = Bits(
    "IE present", 1, {0: "no information elements", 1: "information elements follow"}
)
_FLAGS = (
    _TYPE,
    _SECURITY,
    _PENDING,
    _ACK_REQUEST,
    COMPRESSION,
    Bits("reserved", 1, unused=True),
)
_REST = (DESTINATION, Bits("version", 2, VERSIONS), SOURCE)
CONTROL = Header("MAC", CITE, (*_FLAGS, Bits("reserved 8-9", 2, unused=True), *_REST), "little")
CONTROL_2015 = Header("MAC", CITE, (*_FLAGS, _SUPPRESSION, _IE_PRESENT, *_REST), "little")
_LONG = Bits("long frame control", 1, {0: "one octet", 1: "two octets"})
MULTIPURPOSE_SHORT = Header("MAC", MULTIPURPOSE_CITE, (_TYPE, _LONG, DESTINATION, SOURCE), "little")
MULTIPURPOSE_LONG = Header(
    "MAC",
    MULTIPURPOSE_CITE,
    (
        *MULTIPURPOSE_SHORT.fields,
        PAN_ID_PRESENT,
        _SECURITY,
        _SUPPRESSION,
        _PENDING,
        Bits("version", 2, {0: "the only version there is"}),
        _ACK_REQUEST,
        _IE_PRESENT,
    ),
    "little",
)

_OF_OLD = {FrameType.BEACON, FrameType.DATA, FrameType.COMMAND}  # acknowledgements have no address

SEQUENCE = "sequence number"
# a sender uses them in turn (IEEE 802.15.4-2020 clause 7.2.2.3, from memory)
SEQUENCE_NUMBERS = 1 << 8


def no_sequence(version: int) -> str:
    """Return what would remove the sequence number of a frame of this version."""
    return "0 octets with sequence number suppression" if version == 2 else ""


class FrameForm(NamedTuple):
    """What a frame control field says about the header behind it; a ``flaw`` is forbidden, and can be read."""

    octets: int
    frame_type: FrameType
    version: int
    secured: bool
    pending: bool
    ack_request: bool
    compression: bool
    suppressed: bool
    ie_present: bool
    long_control: bool
    layout: Addressing
    spans: tuple[Span, ...]
    fault: tuple[type[WireError], str, Cite] | None
    flaw: tuple[str, Cite] | None = None
    reserved: int = 0  # its bits that senders leave zero, in their places

    def spans_at(self, octet: int) -> tuple[Span, ...]:
        """Return the spans of a frame control field that stands at an octet."""
        if not octet:
            return self.spans
        return tuple(span._replace(offset_bits=span.offset_bits + 8 * octet) for span in self.spans)


@lru_cache(256)  # about 2 kB each; a network sends a few forms, a hostile capture all 65536
def shape(low: int, high: int) -> FrameForm:
    """Return what the first two octets of a frame say; spans as if it stood at octet 0.

    A field that cannot be read further has a ``fault`` (error class, text and cite) and no spans.
    """
    word = high << 8 | low
    general = CONTROL.split(word)
    header = CONTROL_2015 if general["version"] == 2 else CONTROL
    if general["frame type"] == FrameType.MULTIPURPOSE:
        long = MULTIPURPOSE_SHORT.split(low)["long frame control"]
        header = MULTIPURPOSE_LONG if long else MULTIPURPOSE_SHORT
    whole = word if header.octets == CONTROL.octets else low
    values = general if header is CONTROL else header.split(whole)
    frame_type, version = FrameType(values["frame type"]), values.get("version", 0)
    fault = _unreadable(frame_type, version)
    modes = (values["destination mode"], values["source mode"])
    if frame_type is FrameType.MULTIPURPOSE:
        row = MULTIPURPOSE[(*modes, values.get("PAN ID present", 0))]
    else:
        row = addressing(version, *modes, values["PAN ID compression"])
    if fault is None and row.reserved:
        fault = (Reserved, row.reserved, row.layout.cite)
    return FrameForm(
        header.octets,
        frame_type,
        version,
        bool(values.get("security")),
        bool(values.get("pending")),
        bool(values.get("ack request")),
        bool(values.get("PAN ID compression")),
        bool(values.get("sequence suppression")),
        bool(values.get("IE present")),
        bool(values.get("long frame control")),
        row.layout,
        () if fault else header.explain(whole)[1],
        fault,
        None if fault else _forbidden(frame_type, version, modes, values),
        whole & header.unused,
    )


def _forbidden(
    frame_type: FrameType, version: int, modes: tuple[int, int], values: dict[str, int]
) -> tuple[str, Cite] | None:
    """Return what versions 0 and 1 do not allow about the addresses of a frame; version 2 has a table of its own."""
    if version > 1 or frame_type not in _OF_OLD:
        return None
    frame = f"a {frame_type.name.lower()} frame of version {version}"
    if not any(modes):
        return f"{frame} has neither a destination nor a source address", _NO_ADDRESS_CITE
    if all(modes) or not values["PAN ID compression"]:
        return None
    side = "destination" if modes[0] else "source"
    text = f"{frame} has a {side} address alone, and PAN ID compression is set: its PAN ID is read as carried"
    return text, _ONE_ADDRESS_CITE


def _unreadable(frame_type: FrameType, version: int) -> tuple[type[WireError], str, Cite] | None:
    """Return why a frame cannot be read further, or None."""
    if frame_type is FrameType.MULTIPURPOSE:
        text = f"multipurpose frame version {version} is reserved"
        return (Reserved, text, MULTIPURPOSE_CITE) if version else None
    if frame_type is FrameType.RESERVED:
        return Reserved, "frame type 4 is reserved", TYPES_CITE
    if frame_type > FrameType.RESERVED:
        text = f"frame type {int(frame_type)} ({frame_type.name.lower()}) is not read further"
        return NotSupported, text, TYPES_CITE
    if version == 3:
        return Reserved, "frame version 3 is reserved", CITE
    return None
