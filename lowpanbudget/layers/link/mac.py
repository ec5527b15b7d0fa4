"""The MAC header of IEEE 802.15.4 frames, versions 0 (2003), 1 (2006) and 2 (2015 and later).

    bit  0-2   3    4     5   6     7     8      9   10-11  12-13   14-15
        type  sec pending AR  comp  res  seq.s  IE   dst    version  src     then in line:
    sequence number, destination PAN ID and address, source PAN ID and address,
    auxiliary security header, header IEs

Bits 8 and 9 exist in version 2 only. Clause numbers of the IEEE text are from memory.
"""

from dataclasses import dataclass, field
from enum import IntEnum

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import ieee
from lowpanbudget.errors import NotSupported, RequestError, Reserved
from lowpanbudget.fields import Bits, Header
from lowpanbudget.layers.link import auxiliary, elements
from lowpanbudget.layers.link.addressing import MODE_OCTETS, MODES, addressing
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.elements import Element

CITE = ieee(2015, "7.2.2")
BROADCAST = b"\xff\xff"
SHORTEST_MPDU = 5  # an acknowledgement: frame control, sequence number, FCS


class FrameType(IntEnum):
    """The frame types of table 7-1."""

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
_TYPE = Bits("frame type", 3, {t: t.name.lower() for t in FrameType}, cite=ieee(2015, "table 7-1"))
_FLAGS = (
    Bits("security", 1, {0: "not secured", 1: "an auxiliary security header follows"}),
    Bits("pending", 1, {0: "nothing waits", 1: "the sender holds more for the receiver"}),
    Bits("ack request", 1, {0: "no acknowledgement", 1: "an acknowledgement is asked for"}),
    Bits("PAN ID compression", 1, "decides with the address modes which PAN IDs are carried"),
    Bits("reserved", 1),
)
_ADDRESSING = (
    Bits("destination mode", 2, MODES),
    Bits("version", 2, VERSIONS),
    Bits("source mode", 2, MODES),
)
CONTROL = Header("MAC", CITE, (_TYPE, *_FLAGS, Bits("reserved 8-9", 2), *_ADDRESSING), "little")
CONTROL_2015 = Header(
    "MAC",
    CITE,
    (
        _TYPE,
        *_FLAGS,
        Bits("sequence suppression", 1, {0: "a number follows", 1: "no sequence number"}),
        Bits("IE present", 1, {0: "no information elements", 1: "information elements follow"}),
        *_ADDRESSING,
    ),
    "little",
)


@dataclass(frozen=True, slots=True)
class Mac:
    """The fields of a MAC header as they are carried; None where a field is not.

    Addresses are ``bytes`` of 2 or 8 octets, most significant first. ``header_length`` counts the MHR with auxiliary
    header and header IEs; ``fcs_ok`` is None when there was no FCS to check.
    """

    frame_type: int = FrameType.DATA
    version: int = 1
    sequence: int | None = 0
    destination_pan: int | None = None
    destination: bytes | None = None
    source_pan: int | None = None
    source: bytes | None = None
    pan_id_compression: bool = False
    pending: bool = False
    ack_request: bool = False
    security: Security | None = None
    header_ies: tuple[Element, ...] = ()
    payload_ies: tuple[Element, ...] = ()
    ie_present: bool = False
    payload_ies_follow: bool = field(default=False, compare=False)
    header_length: int = field(default=0, compare=False)
    fcs_ok: bool | None = field(default=None, compare=False)

    @property
    def pan_id(self) -> int | None:
        """Return the PAN of the source, which is the destination's when only that is carried."""
        return self.source_pan if self.source_pan is not None else self.destination_pan


def decode(reader: Reader) -> Mac:
    """Return the MAC header that comes next, header IEs included.

    Raises ``Truncated``, ``Reserved`` (version 3, address mode 1, reserved frame types),
    ``NotSupported`` (multipurpose,
    fragment and extended frames; a secured version-0 frame, whose security suites have no header of their own).
    """
    start = reader.pos
    reader.layer = "MAC"
    reader.need(2, "the frame control field", CITE)
    low, high = reader.data[start], reader.data[start + 1]
    frame_type, version = FrameType(low & 7), high >> 4 & 3
    if frame_type >= FrameType.RESERVED:
        known = frame_type is not FrameType.RESERVED
        raise (NotSupported if known else Reserved)(
            f"frame type {int(frame_type)} ({frame_type.name.lower()}) is "
            f"{'not read further' if known else 'reserved'}",
            offset=start,
            layer="MAC",
            cite=ieee(2015, "table 7-1"),
        )
    if version == 3:
        raise Reserved("frame version 3 is reserved", offset=start, layer="MAC", cite=CITE)
    values, _ = (CONTROL_2015 if version == 2 else CONTROL).read(reader)
    sequence = None
    if not values.get("sequence suppression"):
        sequence = reader.peek("the sequence number", CITE)
        removed_by = "0 octets with sequence number suppression" if version == 2 else ""
        reader.octets(1, "sequence number", "", CITE, removed_by, sequence)
    row = addressing(
        version, values["destination mode"], values["source mode"], values["PAN ID compression"]
    )
    if row.reserved:
        raise Reserved(row.reserved, offset=start, layer="MAC", cite=row.cite)
    carried: list[bytes | None] = []
    for name, count in (
        ("destination PAN ID", 2 * row.destination_pan),
        ("destination address", row.destination),
        ("source PAN ID", 2 * row.source_pan),
        ("source address", row.source),
    ):
        if not count:
            carried.append(None)
            continue
        reader.need(count, f"the {name}", row.cite)
        octets = reader.data[reader.pos : reader.pos + count][::-1]
        value = int.from_bytes(octets, "big") if name.endswith("ID") else octets
        reader.octets(count, name, _ADDRESS_MEANS.get(count, ""), row.cite, _SHORTER[name], value)
        carried.append(octets)
    security = None
    if values["security"]:
        if version == 0:
            raise NotSupported(
                "a secured version-0 frame has no auxiliary security header; its 2003 security "
                "suite is set outside the frame",
                offset=reader.pos,
                layer="MAC",
                cite=ieee(2003, "7.6"),
            )
        security = auxiliary.decode(reader)
        reader.layer = "MAC"
    header_ies: tuple[Element, ...] = ()
    follow = False
    if values.get("IE present"):
        header_ies, follow = elements.decode_header_ies(reader)
    pans = [None if octets is None else int.from_bytes(octets, "big") for octets in carried]
    return Mac(
        frame_type,
        version,
        sequence,
        pans[0],
        carried[1],
        pans[2],
        carried[3],
        bool(values["PAN ID compression"]),
        bool(values["pending"]),
        bool(values["ack request"]),
        security,
        header_ies,
        (),
        bool(values.get("IE present")),
        follow,
        reader.pos - start,
    )


_ADDRESS_MEANS = {2: "16 bits", 8: "64 bits, an EUI-64"}
_SHORTER = {
    "destination PAN ID": "0 octets with extended addresses on both sides and version 2",
    "destination address": "2 octets with a short address",
    "source PAN ID": "0 octets if both nodes share one PAN ID, with PAN ID compression",
    "source address": "2 octets with a short address",
}


def encode(writer: Writer, mac: Mac) -> None:
    """Append the MAC header with auxiliary security header and header IEs.

    Raises ``RequestError`` when a field that the header must carry is missing or one that it cannot carry is there.
    """
    modes = (_mode(mac.destination, "destination"), _mode(mac.source, "source"))
    row = addressing(mac.version, *modes, int(mac.pan_id_compression))
    values = {
        "frame type": mac.frame_type,
        "security": int(mac.security is not None),
        "pending": int(mac.pending),
        "ack request": int(mac.ack_request),
        "PAN ID compression": int(mac.pan_id_compression),
        "destination mode": modes[0],
        "version": mac.version,
        "source mode": modes[1],
    }
    if mac.version == 2:
        values["sequence suppression"] = int(mac.sequence is None)
        values["IE present"] = int(mac.ie_present or bool(mac.header_ies or mac.payload_ies))
        CONTROL_2015.write(writer, values)
    elif mac.sequence is None or mac.header_ies or mac.payload_ies:
        raise RequestError(
            f"a version-{mac.version} frame has a sequence number and no information elements",
            cite=CITE,
            hint="Suppression and information elements need version 2",
        )
    else:
        CONTROL.write(writer, values)
    if mac.sequence is not None:
        removed_by = "0 octets with sequence number suppression" if mac.version == 2 else ""
        writer.octets(bytes([mac.sequence]), "sequence number", "", CITE, removed_by, mac.sequence)
    for name, carried, value in (
        ("destination PAN ID", row.destination_pan, mac.destination_pan),
        ("destination address", bool(row.destination), mac.destination),
        ("source PAN ID", row.source_pan, mac.source_pan),
        ("source address", bool(row.source), mac.source),
    ):
        if not carried:
            _may_leave_out(name, value, mac)
            continue
        if value is None:
            raise RequestError(
                f"the header must carry a {name} in this form, and none is given",
                cite=row.cite,
                hint="Give it, or change PAN ID compression",
            )
        octets = value.to_bytes(2, "big") if isinstance(value, int) else value
        writer.octets(
            octets[::-1], name, _ADDRESS_MEANS.get(len(octets), ""), row.cite, _SHORTER[name], value
        )
    if mac.security is not None:
        if mac.version == 0:
            raise RequestError(
                "version-0 security has no auxiliary header", cite=ieee(2003, "7.6"),
                hint="Use frame version 1 or 2",
            )  # fmt: skip
        auxiliary.encode(writer, mac.security)
    elements.encode_ies(writer, mac.header_ies, payload=False)


def _mode(address: bytes | None, name: str) -> int:
    octets = len(address or b"")
    if octets not in MODE_OCTETS:
        raise RequestError(f"the {name} address has {octets} octets, not 2 or 8", cite=CITE)
    return 0 if not octets else MODE_OCTETS.index(octets)


def _may_leave_out(name: str, value: int | bytes | None, mac: Mac) -> None:
    """Return when nothing is lost: no value, or a source PAN ID that the destination's stands for."""
    if value is None or (name == "source PAN ID" and value == mac.destination_pan):
        return
    raise RequestError(
        f"the {name} {value:#06x} is not carried in this form and would be lost"
        if isinstance(value, int)
        else f"the {name} is not carried in this form and would be lost",
        cite=CITE,
        hint="Clear PAN ID compression, or leave it out",
    )
