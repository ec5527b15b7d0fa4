"""The MAC header of IEEE 802.15.4 frames, versions 0 (2003), 1 (2006) and 2 (2015 and later).

    frame control (control.py), then in line, each where the frame control says so:
    sequence number, destination PAN ID and address, source PAN ID and address,
    auxiliary security header (auxiliary.py), header IEs (elements.py)

Clause numbers of the IEEE text are from memory.
"""

from typing import Any, cast

from lowpanbudget.arguments import flag, number_within
from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import ieee
from lowpanbudget.errors import NotSupported, RequestError, WireError, repeated
from lowpanbudget.fields import Header, LayoutPart, OctetString, stated_by
from lowpanbudget.fields.source import FunctionSource
from lowpanbudget.layers.link import auxiliary, elements
from lowpanbudget.layers.link.addressing import (
    BROADCAST,
    FIELDS,
    MODE_OCTETS,
    MULTIPURPOSE,
    Addressing,
    addressing,
    mode_of,
)
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.control import (
    CITE,
    CONTROL,
    CONTROL_2015,
    MULTIPURPOSE_CITE,
    MULTIPURPOSE_LONG,
    MULTIPURPOSE_SHORT,
    SEQUENCE,
    FrameForm,
    FrameType,
    no_sequence,
)
from lowpanbudget.layers.link.elements import Element
from lowpanbudget.layers.link.header_contents import TIME_CORRECTION
from lowpanbudget.layers.link.leading import read_leading
from lowpanbudget.layers.link.leading import take_up as take_leading
from lowpanbudget.shown import LINK_ADDRESS
from lowpanbudget.values import dataclass, field, filling

__all__ = [
    "BROADCAST", "BROADCAST_PAN", "CITE", "LARGEST_FRAME", "LARGEST_SUN_FRAME", "MODE_OCTETS", "FrameType", "Mac",
    "decode", "encode",
]  # fmt: skip

BROADCAST_PAN = 0xFFFF  # it stands for every PAN
# aMaxPhyPacketSize: 127 octets, 2047 of the SUN PHYs (IEEE 802.15.4-2015 table 11-1, from memory)
LARGEST_FRAME, LARGEST_SUN_FRAME = 127, 2047


def _control(mac: "Mac") -> Header:
    """Return the frame control field of a header."""
    if mac.frame_type == FrameType.MULTIPURPOSE:
        return MULTIPURPOSE_LONG if mac.long_control else MULTIPURPOSE_SHORT
    return CONTROL_2015 if mac.version == 2 else CONTROL


@stated_by(_control)
@dataclass(frozen=True, slots=True)
class Mac:
    """The fields of a MAC header as they are carried; None where a field is not.

    ``frame_type``: 0 beacon, 1 data, 2 acknowledgement, 3 command, 5 multipurpose. ``version``: 0 of 2003, 1 of 2006, 2
    of 2015 and later. Addresses are ``bytes`` of 2 or 8 octets, most significant first. ``header_length`` counts the
    octets of the MHR with auxiliary header and header IEs; ``fcs_ok`` is None when there was no FCS to check. A
    multipurpose frame carries at most the destination's PAN ID; ``long_control`` asks for its 2-octet frame control
    where 1 octet would do. ``fault`` tells why the walk over header IEs ended early: all else is known. ``reserved``
    are bits of the frame control, in their places, that a sender of this version leaves zero. Source: IEEE
    802.15.4-2006 §7.2.1, IEEE 802.15.4-2015 §7.2, from memory.
    """

    frame_type: int = FrameType.DATA
    version: int = 1
    sequence: int | None = 0
    destination_pan: int | None = None
    destination: bytes | None = field(default=None, metadata=LINK_ADDRESS)
    source_pan: int | None = None
    source: bytes | None = field(default=None, metadata=LINK_ADDRESS)
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
    long_control: bool = False
    fault: WireError | None = field(default=None, compare=False)
    reserved: int = field(default=0, repr=False)

    @property
    def pan_id(self) -> int | None:
        """Return the PAN of the source, which is the destination's when only that is carried."""
        return self.source_pan if self.source_pan is not None else self.destination_pan

    @property
    def later(self) -> bool:
        """Return whether the frame follows the rules of the 2015 edition: version 2, and multipurpose frames."""
        return self.version >= 2 or self.frame_type == FrameType.MULTIPURPOSE

    @property
    def refuses(self) -> bool:
        """Return whether it is an acknowledgement that says "frame received but not accepted" (nack = 1)."""
        return self.frame_type == FrameType.ACKNOWLEDGEMENT and any(
            one.id == TIME_CORRECTION and one.fields.get("nack") for one in self.header_ies
        )


_MacInMaking = filling(Mac)  # the quicker one to fill


def decode(reader: Reader, fcs_ok: bool | None = None) -> Mac:
    """Return the MAC header that comes next, header IEs included; what is wrong with those is kept as its ``fault``.

    Raises ``Truncated``, ``Reserved`` (version 3, address mode 1, reserved frame types), ``NotSupported`` (fragment
    and extended frames; a secured version-0 frame, whose security suites have no header of their own).
    """
    start, end = reader.pos, reader.end
    form, sequence, destination_pan, destination, source_pan, source = read_leading(reader)
    security = None
    header_ies: list[Element] = []
    follow = False
    fault: WireError | None = None
    if form.secured:
        security = _security(reader, form.frame_type, form.version)
    if form.ie_present:
        # the walk ends before the integrity code, which may follow the last header IE directly
        reader.end = end - (len(security.mic) if security is not None else 0)
        try:
            _, follow = elements.decode_header_ies(reader, header_ies)
        except WireError as error:
            fault = error.bare()
        reader.end = end
    mac = _MacInMaking(
        form.frame_type,
        form.version,
        sequence,
        destination_pan,
        destination,
        source_pan,
        source,
        form.compression,
        form.pending,
        form.ack_request,
        security,
        tuple(header_ies),
        (),
        form.ie_present,
        follow,
        reader.pos - start,
        fcs_ok,
        form.long_control,
        fault,
        form.reserved,
    )
    mac.__class__ = Mac
    return mac


def take_up(source: FunctionSource, form: FrameForm) -> dict[str, str]:
    """Take up a header of this form at octet 0, which has nothing behind its addresses; return its attributes.

    ``fcs_ok`` is an argument of the function.
    """
    sequence, *addresses = take_leading(source, form)
    names = ("destination_pan", "destination", "source_pan", "source")
    return {
        "frame_type": source.bind(form.frame_type), "version": f"{form.version}", "sequence": sequence,
        **dict(zip(names, addresses, strict=True)), "pan_id_compression": f"{form.compression}",
        "pending": f"{form.pending}", "ack_request": f"{form.ack_request}",
        "header_length": f"{source.octets}", "fcs_ok": "fcs_ok", "long_control": f"{form.long_control}",
    }  # fmt: skip


def _security(reader: Reader, frame_type: FrameType, version: int) -> Security:
    if version == 0 and frame_type is not FrameType.MULTIPURPOSE:
        raise reader.fault(
            NotSupported, "a secured version-0 frame has no auxiliary security header; its 2003 security "
            "suite is set outside the frame",
            ieee(2003, "7.6"),
        )  # fmt: skip
    security = auxiliary.decode(reader, version)
    reader.layer = "MAC"
    return security


def encode(writer: Writer, mac: Mac) -> None:
    """Append the MAC header with auxiliary security header and header IEs.

    Raises ``RequestError`` when a field that the header must carry is missing or one that it cannot carry is there.
    """
    if mac.security is not None and not isinstance(mac.security, Security):
        raise RequestError(
            f"security is a Security or None, not {repeated(mac.security)}", cite=CITE
        )
    modes = mode_of(mac.destination, "destination"), mode_of(mac.source, "source")
    if mac.frame_type == FrameType.MULTIPURPOSE:
        row = MULTIPURPOSE[(*modes, int(mac.destination_pan is not None))]
    elif mac.version not in (0, 1, 2) or mac.frame_type not in _GENERAL:
        raise RequestError(
            f"frame type {repeated(mac.frame_type)} of version {repeated(mac.version)} cannot be written",
            cite=CITE,
            hint="Frame types 0 to 3 have versions 0 to 2, multipurpose frames (5) version 0",
        )
    else:
        row = addressing(mac.version, *modes, int(_flag(mac, "pan_id_compression")))
    _write_control(writer, mac, modes)
    if mac.sequence is not None:
        sequence = number_within(mac.sequence, 8)
        if sequence is None:
            raise RequestError(
                f"sequence number {repeated(mac.sequence)} does not fit 8 bits", cite=CITE,
                hint="Give 0 to 255; None leaves it out of a frame of version 2",
            )  # fmt: skip
        writer.number(1, sequence, SEQUENCE, "", CITE, no_sequence(mac.version))
    _write_addressing(writer, mac, row.layout)
    if mac.security is not None:
        if mac.version == 0 and not mac.later:
            raise RequestError(
                "version-0 security has no auxiliary header", cite=ieee(2003, "7.6"),
                hint="Use frame version 1 or 2",
            )  # fmt: skip
        auxiliary.encode(writer, mac.security, mac.version)
    elements.encode_ies(writer, mac.header_ies, payload=False)


def _write_addressing(writer: Writer, mac: Mac, layout: Addressing) -> None:
    """Append the addressing fields."""
    values = (mac.destination_pan, mac.destination, mac.source_pan, mac.source)
    fields: dict[str, Any] = {}
    carried = {part.name: part for part in layout.parts if isinstance(part, LayoutPart)}
    for name, value in zip(FIELDS, values, strict=True):
        part = carried.get(name)
        if part is None:
            _may_leave_out(name, value, mac)
        elif value is None:
            raise RequestError(
                f"the header must carry a {name} in this form, and none is given", cite=layout.cite,
                hint="Give it, or change PAN ID compression",
            )  # fmt: skip
        elif isinstance(part, OctetString):
            fields[part.key] = bytes(cast("bytes", value))
        elif (number := number_within(value, 16)) is not None:
            fields[part.key] = number
        else:
            raise RequestError(
                f"{name} {repeated(value)} does not fit 16 bits", cite=layout.cite,
                hint="Give 0 to 0xffff",
            )  # fmt: skip
    layout.write(writer, fields)


_GENERAL = (FrameType.BEACON, FrameType.DATA, FrameType.ACKNOWLEDGEMENT, FrameType.COMMAND)


def _write_control(writer: Writer, mac: Mac, modes: tuple[int, int]) -> None:
    """Append the frame control field; a multipurpose one in its short form where that can say everything."""
    with_elements = bool(_flag(mac, "ie_present") or mac.header_ies or mac.payload_ies)
    header, reserved = _control(mac), mac.reserved
    if reserved & ~header.unused:
        said = f"reserved {reserved:#x} has bits that mean something in this version"
        raise RequestError(said, cite=CITE, hint=f"Give bits of {header.unused:#x}, best none")
    values = header.split(reserved) | {
        "frame type": mac.frame_type,
        "security": int(mac.security is not None),
        "pending": int(_flag(mac, "pending")),
        "ack request": int(_flag(mac, "ack_request")),
        "destination mode": modes[0],
        "version": mac.version,
        "source mode": modes[1],
    }
    if mac.later:
        values["sequence suppression"] = int(mac.sequence is None)
        values["IE present"] = int(with_elements)
    elif mac.sequence is None or with_elements:
        raise RequestError(
            f"a version-{mac.version} frame has a sequence number and no information elements",
            cite=CITE,
            hint="Suppression and information elements need version 2",
        )
    if mac.frame_type == FrameType.MULTIPURPOSE:
        if mac.version or _flag(mac, "pan_id_compression"):
            raise RequestError(
                "a multipurpose frame has version 0 and no PAN ID compression",
                cite=MULTIPURPOSE_CITE,
            )
        values["PAN ID present"] = int(mac.destination_pan is not None)
        if _flag(mac, "long_control") or MULTIPURPOSE_LONG.join(values) >> 8:
            MULTIPURPOSE_LONG.write(writer, values | {"long frame control": 1})
        else:
            MULTIPURPOSE_SHORT.write(writer, values)
        return
    if _flag(mac, "long_control"):
        raise RequestError("only multipurpose frames have a long frame control", cite=CITE)
    values["PAN ID compression"] = int(mac.pan_id_compression)
    header.write(writer, values)


def _flag(mac: Mac, name: str) -> bool:
    return flag(getattr(mac, name), f"Mac.{name}")


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
