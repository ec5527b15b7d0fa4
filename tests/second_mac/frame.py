"""MAC frames of IEEE 802.15.4 read and written by the layouts of ``headers``: the second opinion on the package's MAC.

Nothing here was taken from the package; what is from memory of the standard stands beside each rule.
"""

import binascii
import zlib
from dataclasses import dataclass, field, replace
from io import BytesIO
from typing import Any

from construct import Construct, ConstructError
from second_mac.headers import (
    ACKNOWLEDGEMENT,
    BEACON,
    COMMAND,
    DATA,
    EXTENDED,
    HEADER_IE,
    MIC_OCTETS,
    MULTIPURPOSE,
    NONE,
    PAYLOAD_FOLLOWS,
    PAYLOAD_IES_FOLLOW,
    SHORT,
    layout_of,
)

NO_ROOM = "no room for the integrity code"


class Refused(Exception):
    """These octets are no frame that the standard lets one read, and why."""


Elements = tuple[tuple[int, bytes], ...]


def walk(layout: Construct, octets: bytes, *ends: int) -> tuple[list[Any], bytes]:
    """Return the elements up to one of ``ends`` or to the last octet, and what stands behind them."""
    found: list[Any] = []
    stream = BytesIO(octets)
    while stream.tell() < len(octets) and not (found and found[-1].head.id in ends):
        try:
            found.append(layout.parse_stream(stream))
        except ConstructError as error:
            raise Refused("element") from error
    return found, octets[stream.tell() :]


def in_pairs(elements: list[Any]) -> Elements:
    return tuple((one.head.id, one.content) for one in elements)


def put(layout: Construct, elements: Elements) -> bytes:
    """Return the octets of these elements, terminations among them."""
    return b"".join(
        layout.build({"head": {"id": number, "length": len(content)}, "content": content})
        for number, content in elements
    )


@dataclass(frozen=True)
class Auxiliary:
    """The auxiliary security header and the integrity code of a frame."""

    level: int
    key_id_mode: int = 0
    frame_counter: int | None = 0
    key_source: bytes | None = None
    key_index: int | None = None
    asn_in_nonce: bool = False
    mic: bytes = b""


@dataclass(frozen=True)
class Mpdu:
    """A frame as it is on the air: addresses most significant octet first, terminations among the elements.

    ``mhr`` is the header with auxiliary header and header IEs, ``body`` what stands between it and the integrity code.
    """

    frame_type: int = DATA
    version: int = 1
    sequence: int | None = 0
    destination_pan: int | None = None
    destination: bytes | None = None
    source_pan: int | None = None
    source: bytes | None = None
    pan_id_compression: bool = False
    pending: bool = False
    ack_request: bool = False
    ie_present: bool = False
    long_control: bool = False
    security: Auxiliary | None = None
    header_ies: Elements = ()
    mhr: bytes = field(default=b"", repr=False)
    body: bytes = b""
    fcs_ok: bool | None = None
    trouble: str = ""  # why what stands behind the auxiliary header could not be read

    @property
    def later(self) -> bool:
        """Return whether it has what the 2015 edition knows: suppression, elements, private command identifiers."""
        return self.version == 2 or self.frame_type == MULTIPURPOSE

    @property
    def has_payload_ies(self) -> bool:
        return bool(self.header_ies) and self.header_ies[-1][0] == PAYLOAD_IES_FOLLOW


MIRRORED = bytes(int(f"{octet:08b}"[::-1], 2) for octet in range(256))


def check_sequence(octets: bytes, size: int) -> bytes:
    """Return the FCS: 2015, clause 7.2.10, the ITU-T CRC of 16 bits, bits of each octet from the least significant on.

    Four octets: the 32 bits of IEEE 802.3; what is shorter than 4 octets is filled up with zeros first.
    """
    if size == 4:
        return zlib.crc32(octets.ljust(4, b"\0")).to_bytes(4, "little")
    turned = binascii.crc_hqx(octets.translate(MIRRORED), 0).to_bytes(2, "big")
    return turned.translate(MIRRORED)


def mode(address: bytes | None) -> int:
    return {0: NONE, 2: SHORT, 8: EXTENDED}[len(address or b"")]


def read(octets: bytes, fcs: int = 2) -> Mpdu:
    """Return the frame that these octets are, with an FCS of ``fcs`` octets; Refused where they are none."""
    if len(octets) < fcs:
        raise Refused("shorter than its FCS")
    inner = octets[: len(octets) - fcs]
    stream = BytesIO(inner)
    try:
        one = layout_of(inner).parse_stream(stream)
    except (ConstructError, KeyError) as error:
        raise Refused("header") from error
    control, aux = one.control, one.security
    if control.type not in {BEACON, DATA, ACKNOWLEDGEMENT, COMMAND, MULTIPURPOSE}:
        raise Refused("frame type")  # 4 is reserved; 6 and 7 have headers of their own
    if control.version > (0 if control.type == MULTIPURPOSE else 2):
        raise Refused("frame version")
    if control.secured and control.version == 0 and control.type != MULTIPURPOSE:
        raise Refused("security of the 2003 edition has no auxiliary header")
    frame = Mpdu(
        frame_type=control.type,
        version=control.version,
        sequence=one.sequence,
        destination_pan=one.destination_pan,
        destination=one.destination,
        source_pan=one.source_pan,
        source=one.source,
        pan_id_compression=bool(control.get("compressed")),
        pending=bool(control.pending),
        ack_request=bool(control.ack_request),
        ie_present=bool(control.ie_present),
        long_control=bool(control.get("long")),
        security=None if aux is None else auxiliary(aux),
        fcs_ok=check_sequence(inner, fcs) == octets[len(inner) :] if fcs else None,
    )
    return with_body(frame, inner, stream.tell())


def auxiliary(aux: Any) -> Auxiliary:
    return Auxiliary(
        aux.control.level,
        aux.control.key_id_mode,
        aux.frame_counter,
        aux.key_source,
        aux.key_index,
        bool(aux.control.asn_in_nonce),
    )


def with_body(frame: Mpdu, inner: bytes, start: int) -> Mpdu:
    """Return the frame with its header IEs, body and integrity code; ``inner`` ends before the FCS."""
    end = len(inner)
    if frame.security is not None:
        end -= MIC_OCTETS[frame.security.level]
        if end < start:
            return replace(frame, trouble=NO_ROOM)
        frame = replace(frame, security=replace(frame.security, mic=inner[end:]))
    elements: list[Any] = []
    body = inner[start:end]
    if frame.ie_present and frame.later:
        try:
            elements, body = walk(HEADER_IE, body, PAYLOAD_IES_FOLLOW, PAYLOAD_FOLLOWS)
        except Refused as error:
            return replace(frame, trouble=f"header IE: {error}")
    return replace(frame, header_ies=in_pairs(elements), mhr=inner[: end - len(body)], body=body)


def write(frame: Mpdu, fcs: int = 2) -> bytes:
    """Return the octets of this frame; ``body`` and ``security.mic`` as they are, the FCS worked out."""
    control: dict[str, Any] = {
        "type": frame.frame_type,
        "version": frame.version,
        "secured": frame.security is not None,
        "pending": frame.pending,
        "ack_request": frame.ack_request,
        "compressed": frame.pan_id_compression,
        "suppressed": frame.sequence is None,
        "ie_present": frame.ie_present,
        "destination_mode": mode(frame.destination),
        "source_mode": mode(frame.source),
        "pan_present": frame.destination_pan is not None,
        "reserved": 0,
    }
    values: dict[str, Any] = {"control": control, "security": None}
    for name in ["sequence", "destination_pan", "destination", "source_pan", "source"]:
        values[name] = getattr(frame, name)
    mic = b""
    if frame.security is not None:
        one, mic = frame.security, frame.security.mic
        flags = {
            "reserved": 0,
            "asn_in_nonce": one.asn_in_nonce,
            "suppressed": one.frame_counter is None,
        }
        values["security"] = {
            "control": {**flags, "key_id_mode": one.key_id_mode, "level": one.level},
            "frame_counter": one.frame_counter,
            "key_source": one.key_source,
            "key_index": one.key_index,
        }  # fmt: skip
    inner: bytes = layout_of(bytes([frame.frame_type | frame.long_control << 3])).build(values)
    inner += put(HEADER_IE, frame.header_ies) + frame.body + mic
    return inner + (check_sequence(inner, fcs) if fcs else b"")


def header_octets(frame: Mpdu) -> bytes:
    """Return the octets of its header as they will stand on the air, header IEs included."""
    bare = replace(frame, body=b"")
    if bare.security is not None:
        bare = replace(bare, security=replace(bare.security, mic=b""))
    return write(bare, fcs=0)
