"""A whole IEEE 802.15.4 frame read: octets to heads, spans and datagram; ``encoding`` is the way back.

octets -> FCS checked -> MAC header -> payload opened -> payload IEs -> 6LoWPAN -> datagram
"""

from functools import partial
from ipaddress import IPv6Address
from typing import TYPE_CHECKING, Any

from lowpanbudget.bits import Nature, Place, Reader, Span
from lowpanbudget.env import Contexts, Env
from lowpanbudget.errors import NotSupported, Reserved, Truncated, WireError
from lowpanbudget.fields import Head, Packet, Restored
from lowpanbudget.layers.link import contents, control, elements
from lowpanbudget.layers.link.auxiliary import UNPROVEN
from lowpanbudget.layers.link.elements import Element
from lowpanbudget.layers.link.fcs import CITE as FCS_CITE
from lowpanbudget.layers.link.fcs import fcs as fcs_of
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.layers.link.nonces import Devices
from lowpanbudget.layers.link.security import Key
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.shown import LINK_ADDRESS
from lowpanbudget.stack import secured
from lowpanbudget.stack.incoming import UNCHECKED, Datagram, Lowpan, Notice, Noting
from lowpanbudget.stack.lowpan import read_lowpan
from lowpanbudget.stack.opening import open_payload
from lowpanbudget.stack.proof import likeliest, told
from lowpanbudget.stack.shapes import Shape, shape_of, was_read
from lowpanbudget.stack.uncompressed import restored
from lowpanbudget.stack.usual import LARGEST, read_behind, read_shaped, read_usual
from lowpanbudget.values import dataclass, field, filling, replace, settled

_new = tuple.__new__  # quicker than the class's own, for every head
_DATA = FrameType.DATA  # a member asked of its class takes as long as a call


@settled
@dataclass(slots=True)
class Frame:
    """A frame as ``decode_frame`` read it: its headers, what they carry, and a span for every bit.

    ``mac`` is None when not even the header could be read. ``payload`` is in the clear, from after MHR and payload IEs
    up to the MIC, command identifier and beacon fields included; None while sealed. ``datagram`` is the IPv6 packet, or
    None for a fragment (``fragment``, ``fragment_octets``), another payload, or a ``fault``. ``spans`` tile the frame;
    ``heads`` are its headers where they stand, ``values`` the headers restored from them. At the places ``free`` other
    octets would have been read alike.
    """

    octets: bytes
    mac: Mac | None = None
    payload: bytes | None = None
    link_source: bytes | None = field(default=None, metadata=LINK_ADDRESS)
    link_destination: bytes | None = field(default=None, metadata=LINK_ADDRESS)
    datagram: Datagram | None = None
    fragment: Fragment | Rfrag | None = None
    fragment_octets: bytes = b""
    checksum_elided: bool = False
    verified: bool = False
    heads: tuple[Head, ...] = field(default=(), repr=False)
    values: tuple[Any, ...] = field(default=(), repr=False)
    contexts: Contexts = field(default_factory=Contexts, repr=False)
    spans: tuple[Span, ...] = ()
    free: tuple[Place, ...] = field(default=(), repr=False)
    notices: tuple[Notice, ...] = ()
    fault: WireError | None = None

    @property
    def layers(self) -> "tuple[Layer, ...]":
        """Return the headers on the air, outermost first."""
        return tuple([head.value for head in self.heads])

    @property
    def opened(self) -> tuple[int, int]:
        """Return the range of octets that went encrypted and were opened here; empty when there is none."""
        mac = self.mac
        if mac is None or mac.security is None or self.payload is None:
            return 0, 0
        protection = mac.security.protection
        if not protection.encrypted:
            return 0, 0
        return mac.header_length, len(self.octets) - self.fcs_octets - protection.mic

    @property
    def fcs_octets(self) -> int:
        """Return the octets of the FCS at the end; 0 where the frame came without one."""
        # where an FCS was checked its span is the last
        return 0 if self.mac is None or self.mac.fcs_ok is None else self.spans[-1].bits // 8

    @property
    def restored(self) -> tuple[Restored, ...]:
        """Return the headers that compressed heads stand for; their spans say what each field came from."""
        return restored(self, self.contexts)

    @property
    def packet(self) -> Packet:
        """Return all headers of the frame, those restored included, for ``find`` to look into."""
        return Packet(self.heads, self.values, self.spans)


if TYPE_CHECKING:
    from lowpanbudget.stack.layer import Layer

    class FrameInMaking(Noting, Frame):
        """A frame that is still to be filled."""

        heads: list[Head]  # type: ignore[assignment]
        notices: list[Notice]  # type: ignore[assignment]

        def __init__(
            self, octets: bytes, *, heads: list[Head], notices: list[Notice], **known: Any
        ) -> None: ...

else:
    FrameInMaking = filling(Frame, Noting)


def whole(frame: FrameInMaking) -> Frame:
    """Return a frame that was filled: it changes no more."""
    frame.heads, frame.notices = tuple(frame.heads), tuple(frame.notices)  # type: ignore[assignment]
    frame.__class__ = Frame  # type: ignore[assignment]
    return frame


def decode_prepared(
    octets: bytes, fcs_length: int, contexts: Contexts, keys: tuple[Key, ...], devices: Devices, asn: int | None,
    root: IPv6Address | None, rpi_type: int, left_out: int = 0, sender: bytes | None = None, *, is_tried: bool = False,
) -> Frame:  # fmt: skip
    """Return the frame that these octets are, whatever they are; the last ``fcs_length`` of them are its FCS.

    ``left_out`` octets of its end, without its FCS, were not captured. ``sender``: who sent it, where it names nobody.
    With ``is_tried`` the first key that fits is taken where nothing proves one.
    """
    frame = FrameInMaking(octets, heads=[], contexts=contexts, notices=[])
    end = max(len(octets) - fcs_length, 0)
    trailer: list[Span] = []
    fcs_ok = _check_fcs(frame, octets, fcs_length, trailer) if end and fcs_length else None
    shape = shape_of(octets) if not left_out and end < LARGEST else None
    if shape is not None and _read_usual(frame, shape, end, fcs_ok, trailer):
        return whole(frame)
    reader = Reader(octets, 0, end, "", left_out)
    fitting: list[Key] | None = None  # where nothing proves a key
    try:
        mac = secured.decode(reader, frame.notices, fcs_ok)
        frame.mac = mac
        frame.heads.append(_new(Head, (mac, 0, reader.pos)))
        frame.link_source, frame.link_destination = mac.source, mac.destination
        if mac.source is None or mac.destination is None:
            _note_form(frame)
        if mac.ie_present:
            if mac.fault is not None:
                raise mac.fault
            _note_faults(frame, mac.header_ies)
        security = mac.security
        if security is not None and security.level == UNPROVEN and not is_tried:
            fitting = [key for key in keys if key.opens(security)]
            if len(fitting) > 1:
                # no closure: its cells would make every frame slower
                under = partial(
                    decode_prepared, octets, fcs_length, contexts, devices=devices, asn=asn, root=root,
                    rpi_type=rpi_type, left_out=left_out, sender=sender, is_tried=True,
                )  # fmt: skip
                return likeliest(under, fitting, is_cut=left_out > 0)
        if security is None or open_payload(frame, reader, mac, keys, devices, asn, sender, trailer):  # fmt: skip
            if frame.payload is None:
                frame.payload = reader.data[reader.pos : reader.end]
            if not (
                # a frame in the clear is to have a shape of its own
                security is not None
                and mac.frame_type == _DATA
                and not mac.payload_ies_follow
                and read_shaped(reader, mac, contexts, frame)
            ):
                env = Env.carried(mac.source, mac.destination, mac.pan_id, contexts, root, rpi_type)
                _read_payload(frame, mac, reader, env)
            if frame.checksum_elided and not frame.verified:
                frame.note(*UNCHECKED, 0)
    except WireError as error:
        if frame.mac is None and 0 < fcs_length >= len(octets) - 1:
            those = "octets are" if len(octets) >= fcs_length else "octets would be"
            error.hint = f"The last {fcs_length} {those} the FCS: fcs none where it has none"
        if frame.fault is None:
            frame.fault = error.bare()
    frame.note_unused(reader)
    if left_out:
        _end_early(frame, reader)
    if frame.fault is None and reader.pos == reader.end:
        frame.spans, frame.free = (*reader.spans, *trailer), tuple(reader.free)
    else:
        if frame.fault is not None:
            # of a frame with a wrong integrity code, which may be readable all the same, nothing is handed on
            frame.datagram, frame.fragment, frame.fragment_octets = None, None, b""
        _tile(frame, reader, trailer)
    done = whole(frame)
    return done if fitting is None else told(done, len(fitting), is_cut=left_out > 0)


NOT_CAPTURED = "the rest of the frame was not captured"


def _end_early(frame: FrameInMaking, reader: Reader) -> None:
    """Say of a frame that was not captured whole where it ends; what was noticed may be for want of the rest."""
    frame.notices.clear()
    if not isinstance(frame.fault, Reserved | NotSupported):
        frame.fault = Truncated(NOT_CAPTURED, offset=reader.pos, layer=reader.layer).bare()


def _read_usual(
    frame: FrameInMaking, shape: Shape, end: int, fcs_ok: bool | None, trailer: list[Span]
) -> bool:
    """Fill in a frame whose FCS starts at octet ``end``; return False, with nothing touched, where it is unusual."""
    octets = frame.octets
    read, start, udp, past = shape
    try:
        headers = read(octets, end, fcs_ok, frame.contexts)
    except WireError:
        return False  # the engine locates it
    if headers is None:
        return False
    mac, layer, compressed, spans, free = headers
    frame.mac, frame.payload = mac, octets[start:end]
    frame.link_source, frame.link_destination = mac.source, mac.destination
    reader = Reader(octets, past, end)
    frame.heads.append(_new(Head, (mac, 0, start)))
    read_behind(reader, mac, frame, start, layer, compressed, udp)
    frame.note_unused(reader)
    frame.spans = (*spans, *reader.spans, *trailer)
    frame.free = (*free, *reader.free)
    return True


def decode_lowpan(octets: bytes, env: Env) -> Frame:
    """Return what a 6LoWPAN payload holds that came without a MAC header, such as over Ethernet (RFC 7973)."""
    frame = FrameInMaking(octets, payload=octets, heads=[], contexts=env.contexts, notices=[])
    reader = Reader(octets)
    frame.link_source, frame.link_destination = env.source, env.destination
    try:
        _read_lowpan(frame, reader, env)
        if frame.checksum_elided:
            frame.note(*UNCHECKED, 0)
    except WireError as error:
        frame.fault = error.bare()
        frame.datagram, frame.fragment, frame.fragment_octets = None, None, b""
    frame.note_unused(reader)
    _tile(frame, reader, [])
    return whole(frame)


def _note_form(frame: FrameInMaking) -> None:
    """Note what the edition of its version forbids about the addresses of a frame, which is read all the same."""
    flaw = control.shape(*frame.octets[: control.CONTROL.octets]).flaw
    if flaw is not None:
        frame.notices.append(Notice("addressing-not-allowed", *flaw))


def _note_faults(frame: FrameInMaking, ies: tuple[Element, ...]) -> None:
    for element in ies:
        for fault in element.faults():
            frame.notices.append(Notice("element-wrong", fault.message, fault.cite, fault.offset))


_DIFFERS = "does not match: a damaged frame, or no FCS at all"
_RIGHT, _WRONG = "check sequence, matches", f"check sequence, {_DIFFERS}"


def _check_fcs(frame: FrameInMaking, octets: bytes, length: int, trailer: list[Span]) -> bool:
    at = len(octets) - length
    sent = octets[at:]
    ok = fcs_of(octets[:at], length) == sent
    told = sent, _RIGHT if ok else _WRONG, FCS_CITE
    trailer.append(Span(at * 8, length * 8, "MAC", "FCS", *told))
    if not ok:
        frame.notices.append(Notice("fcs-wrong", f"the FCS {_DIFFERS}", FCS_CITE, at))
    return ok


def _read_payload(frame: FrameInMaking, mac: Mac, reader: Reader, env: Env) -> None:
    if mac.payload_ies_follow:
        ies = elements.decode_payload_ies(reader)
        frame.mac = replace(mac, payload_ies=ies)
        frame.heads[0] = Head(frame.mac, 0, frame.heads[0].end)
        frame.payload = reader.data[reader.pos : reader.end]
        _note_faults(frame, ies)
    if mac.frame_type != _DATA:
        start = reader.pos
        if (content := contents.decode(reader, mac)) is not None:
            frame.heads.append(_new(Head, (content, start, reader.pos)))
        return
    if reader.left:
        _read_lowpan(frame, reader, env)


def _read_lowpan(frame: FrameInMaking, reader: Reader, env: Env) -> None:
    mac = frame.mac
    is_shaped = mac is not None and mac.security is None and not mac.ie_present
    if not read_usual(reader, env, frame, is_shaped=is_shaped):
        lowpan = Lowpan(env.source, env.destination, frame.heads, frame.notices)
        try:
            read_lowpan(reader, env, lowpan)
        finally:
            frame.link_source, frame.link_destination = lowpan.source, lowpan.destination
        frame.datagram, frame.values = lowpan.datagram, lowpan.values
        frame.fragment, frame.fragment_octets = lowpan.fragment, lowpan.fragment_octets
        frame.checksum_elided = lowpan.checksum_elided
    elif is_shaped and not frame.checksum_elided:
        _, layer, *behind = frame.heads
        was_read(frame.octets, layer.start, behind[0].start if layer.value.nhc else None)


def _tile(frame: FrameInMaking, reader: Reader, trailer: list[Span]) -> None:
    """Close the gap that a fault left, so that spans tile the frame."""
    spans = reader.spans
    at = spans[-1].offset_bits + spans[-1].bits if spans else 0
    end = trailer[0].offset_bits if trailer else len(frame.octets) * 8
    if at < end:
        octets = reader.data[at // 8 : end // 8]  # in the clear, where it was opened
        spans.append(unread(at, end - at, reader.layer or "MAC", octets))
    frame.spans = (*spans, *trailer)
    frame.free = tuple(reader.free)


def unread(offset_bits: int, bits: int, layer: str, octets: bytes) -> Span:
    """Return the span of octets that reading did not reach, or could not read."""
    return Span(offset_bits, bits, layer, "not decoded", octets, "", None, nature=Nature.UNREAD)
