"""What a trace says of one record."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from lowpanbudget.bits import Span
from lowpanbudget.capture.files.link_types import FRAME, LOWPAN, RecordBody
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.flows import FlowKey, application_of, flow_of
from lowpanbudget.capture.follow.parts import Copied, DatagramPart, Settled, headers_template_of
from lowpanbudget.capture.follow.slot_notice import as_reckoned
from lowpanbudget.capture.follow.templates import Template, layer_bits
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.stack.contents import with_contents
from lowpanbudget.stack.decoder import Decoder
from lowpanbudget.stack.events import Discarded, TimedOut
from lowpanbudget.stack.frame import Frame, unread
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.stack.pieces import FragmentArrival, FragmentedDatagram
from lowpanbudget.stack.proof import is_unproven
from lowpanbudget.values import dataclass, field, replace

if TYPE_CHECKING:
    from lowpanbudget.capture.follow.devices import Device
    from lowpanbudget.capture.follow.matching import Matched, Matcher
    from lowpanbudget.capture.follow.opened import OpenedContent

DAMAGED = "the FCS does not match: a damaged frame"
NOT_CAPTURED = "not captured"  # among layers: what the capture left out at the end of a frame
_WHY_SEALED = {"key-missing", "mic-wrong", "nonce-unknown"}  # notices of the decoder


@dataclass(slots=True)
class Sighting:
    """One record of a capture and what it holds.

    ``octets`` are the frame with its FCS (of ``fcs_octets``), without what the link type wraps around it and without
    the radio ``status`` that stood in place of an FCS; ``left_out`` more were not captured. ``payload`` is the MAC
    payload in the clear, None while sealed; ``verified`` says that its integrity code is right. ``datagram`` is the
    IPv6 packet that this frame completes, and ``parts`` what each frame brought of it; ``of_two``: recoverable
    fragments of another may be among them. ``flow`` is that of the datagram, of fragments too once the first has been
    seen. ``repeats`` is the frame of which this is a retransmission, ``copies`` the one whose contents it has under
    another sequence number. ``heard_as`` is the frame under which another receiver heard the same sending, where all
    that it brings was told. ``outside``: it is not what somebody asked for. ``arrival`` is the fragment that it brings,
    with what else its datagram was sent in: read it before the next record is followed. ``ended`` are datagrams whose
    fragments were given up now, ``expired`` those that their senders did not complete. ``notices`` and ``fault`` tell
    what is odd and what ended reading. A ``damaged`` frame has an FCS that is wrong, and brings no datagram. ``opened``
    is what stood sealed in the datagram, where keys were given that open it. ``back_ns`` is how far its time is before
    that of the record before it. ``reckoned`` is the absolute slot number that opened it, or should; ``device`` is
    the sender as the air told of it where it did not open.

    What comes later of a fragment is added for frames that are picked: the sighting that makes its datagram ``whole``,
    the ``first`` one, which brought its headers, or why it was ``never_whole``.
    ``decoder`` holds the contexts, root and devices that were known then; ``template`` is shared by all frames that
    are alike: judge it once. ``frame`` and ``contents`` are decoded when they are asked for. ``settled``: old frames.
    """

    record: Record
    body: RecordBody
    decoder: Decoder = field(repr=False)
    _matcher: "Matcher | None" = field(repr=False)
    octets: bytes = b""
    fcs_octets: int = 0
    status: bytes = b""
    left_out: int = 0
    fcs_ok: bool | None = None
    damaged: bool = False
    template: Template | None = None
    sequence: int | None = None
    frame_counter: int | None = None
    verified: bool = False
    mic: int = 0
    reckoned: int | None = None
    device: "Device | None" = None
    payload: bytes | None = None
    datagram: bytes | None = None
    parts: tuple[DatagramPart, ...] = ()
    of_two: bool = False
    flow: FlowKey | None = None
    repeats: int | None = None
    copied: Copied | None = None
    settled: Settled | None = None
    heard_as: int | None = None
    outside: bool = False
    arrival: FragmentArrival | None = None
    ended: tuple[TimedOut | Discarded, ...] = ()
    expired: Sequence[FragmentedDatagram] = ()
    notices: tuple[Notice, ...] = ()
    fault: WireError | None = None
    opened: "OpenedContent | None" = None
    back_ns: int = 0
    whole: "Sighting | None" = field(default=None, repr=False)
    first: "Sighting | None" = field(default=None, repr=False)
    never_whole: str = ""
    _frame: Frame | None = field(default=None, repr=False)
    _contents: Frame | None = field(default=None, repr=False)

    @property
    def slot(self) -> int | None:
        """Return the absolute slot number, as the capture tells it or as it was reckoned; None of an unknown one."""
        return self.reckoned if self.body.asn is None else self.body.asn

    def told_slot(self, frame: Frame) -> Frame:
        """Return the frame as it was opened, with a notice where its slot number was reckoned."""
        return frame if self.body.asn is not None or self.reckoned is None else as_reckoned(frame)

    @property
    def number(self) -> int:
        """Return the number of the record, from 1; 0 for a frame that stands in no capture."""
        return self.record.number

    @property
    def copies(self) -> int | None:
        """Return the number of the frame whose contents this one has under another sequence number; None for most."""
        return None if self.copied is None else self.copied.number

    @property
    def numbers(self) -> tuple[int, ...]:
        """Return the numbers of all frames that brought the datagram."""
        return tuple([part.number for part in self.parts])

    @property
    def headers_template(self) -> Template | None:
        """Return the template of the frame that brought the headers of the datagram; None where none tells them."""
        return self.template if len(self.parts) < 2 else headers_template_of(self.parts)

    @property
    def end(self) -> int:
        """Return where the frame ends without its FCS."""
        return max(len(self.octets) - self.fcs_octets, 0)

    @property
    def example(self) -> Frame | None:
        """Return a decoded frame that is alike: this one, or the first such; None for a record that holds none."""
        return None if self.template is None else self.template.example

    @property
    def source(self) -> bytes | None:
        """Return the link source that counts: a mesh header's originator, else the MAC's."""
        return None if self.template is None else self.template.example.link_source

    @property
    def destination(self) -> bytes | None:
        """Return the link destination that counts."""
        return None if self.template is None else self.template.example.link_destination

    @property
    def frame(self) -> Frame | None:
        """Return the frame decoded in full, with its spans; None for a record that holds none."""
        if self._frame is None:
            body = self.body
            if body.kind == FRAME:
                self._frame = self.told_slot(
                    self.decoder.frame(
                        self.octets, self.fcs_octets, self.slot, left_out=self.left_out
                    )
                )
            elif body.kind == LOWPAN:
                self._frame = self.decoder.lowpan(body.octets, body.source, body.destination)
        return self._frame

    @property
    def as_frame(self) -> Frame:
        """Return the frame decoded in full, or what a record holds that is none, in the form of one.

        The fields of a message that the design has are told among its spans.
        """
        if self.frame is not None:
            return self._with_message(self._told(self.frame))
        octets, contents = self.body.octets, self.contents
        if contents is not None:
            return replace(contents, datagram=None)
        spans: tuple[Span, ...] = ()
        if octets:
            spans = (unread(0, len(octets) * 8, self.body.kind, octets),)
        return Frame(octets, spans=spans, fault=self.body.fault)

    def _told(self, frame: Frame) -> Frame:
        """Return the frame with what was opened in the datagram that it brings alone."""
        if self.opened is None or frame.datagram is None:
            return frame
        return self.opened.within(frame, self._datagram_end(frame))

    def _datagram_end(self, frame: Frame) -> int:
        """Return the octet of a frame where the datagram that it brings ends."""
        security = None if frame.mac is None else frame.mac.security
        mic = 0 if security is None else security.protection.mic
        return len(frame.octets) - self.fcs_octets - mic

    @property
    def unsealed(self) -> tuple[int, int]:
        """Return the range of the frame's octets that ends sealed for each other and that was opened; else empty."""
        if self.opened is None or self.frame is None or self.frame.datagram is None:
            return 0, 0
        return self.opened.opened_in(self.frame, self._datagram_end(self.frame))

    def _with_message(self, frame: Frame) -> Frame:
        message = None if frame.datagram is None or self.matched is None else self.matched.message
        return (
            frame if message is None else replace(frame, spans=with_contents(frame.packet, message))
        )

    @property
    def completed(self) -> "Sighting":
        """Return the sighting that has the datagram which this frame brings: itself, or a later one if it is known."""
        return self.whole if self.whole is not None else self

    @property
    def headers(self) -> Frame | None:
        """Return the frame that brought the headers of the datagram, decoded; None while there is no datagram."""
        if self.first is not None:
            return self.first.frame
        alone = self.datagram is not None and len(self.parts) <= 1
        return self.as_frame if alone else None

    @property
    def is_fragment(self) -> bool:
        """Return whether it brings a fragment, recoverable or not, however much of it can be read."""
        return self.template is not None and self.template.fragment is not None

    @property
    def is_open(self) -> bool:
        """Return whether this is a fragment that could be read, and nothing more is known of it yet."""
        return self.is_fragment and not (self.whole or self.never_whole or self.fault)

    def decoded(self, frame: Frame) -> None:
        """Keep a frame that was decoded already."""
        self._frame = frame

    @property
    def contents(self) -> Frame | None:
        """Return the datagram that this frame completes, read; None when it completes none."""
        if self._contents is None and self.datagram is not None:
            contents, opened = self.decoder.datagram(self.datagram), self.opened
            within = contents if opened is None else opened.within(contents, len(self.datagram))
            self._contents = within
        return self._contents

    @property
    def hidden(self) -> CoapMessage | None:
        """Return the CoAP message that stood sealed in the datagram, where it was opened."""
        return None if self.opened is None or not self.opened.is_open else self.opened.hidden

    def holding(self, notices: Sequence[Notice]) -> list[Notice]:
        """Return those of a frame's notices that still hold with what was opened in it."""
        return list(notices) if self.opened is None else self.opened.holding(notices)

    @property
    def has_design(self) -> bool:
        """Return whether it can be told what the datagram is in a design."""
        return self._matcher is not None

    @property
    def matched(self) -> "Matched | None":
        """Return what the datagram is in the design: its flow and its message; None outside of any."""
        contents = self.contents
        if contents is None or self._matcher is None:
            return None
        opened = self.opened if self.opened is not None and self.opened.is_open else None
        return self._matcher.match(flow_of(contents.octets), contents, opened=opened)

    @property
    def application(self) -> bytes | None:
        """Return what the application sent in the datagram, opened where it was sealed; None without a datagram."""
        opened = self.opened
        if opened is not None and opened.is_open and opened.application is not None:
            return opened.application
        return None if self.contents is None else application_of(self.contents)

    @property
    def missing_fcs(self) -> int:
        """Return the octets of the FCS that the frame had on the air and that the capture took off."""
        return 2 if (self.octets or self.left_out) and not self.fcs_octets else 0

    @property
    def layer_bits(self) -> dict[str, int]:
        """Return the bits of each layer of the frame as it was sent; together they are all its bits."""
        trailer = self.missing_fcs
        if self.opened is not None and self.unsealed[1] and self.frame is not None:
            bits = layer_bits(self._told(self.frame).spans)
        elif self.template is None and self.contents is not None:
            bits = layer_bits(self.contents.spans)
        elif self.template is None:
            bits = {self.body.kind: len(self.body.octets) * 8} if self.body.octets else {}
        else:
            bits = self.template.layers_of(self.payload)
            trailer += self.mic + min(self.fcs_octets, len(self.octets))
        for layer, octets in (("MAC", trailer), (NOT_CAPTURED, self.left_out)):
            if octets:
                bits[layer] = bits.get(layer, 0) + octets * 8
        return bits

    @property
    def kind(self) -> str:
        """Return what the record is in words: "data", "acknowledgement", "beacon", a command, or another kind."""
        if self.body.kind != FRAME:
            return self.body.kind
        mac = None if self.template is None else self.template.example.mac
        return "unreadable" if mac is None else FrameType(mac.frame_type).name.lower()

    @property
    def cut(self) -> bool:
        """Return whether the capture kept the front of the frame only; a missing FCS alone takes nothing from it."""
        return self.left_out > 0 if self.body.kind == FRAME else self.missing > 0

    @property
    def missing(self) -> int:
        """Return how many octets at the end of the frame the capture left out."""
        return max(self.record.original_length - len(self.record.octets), 0)

    @property
    def reason(self) -> str:
        """Return why the record could not be read to its end, or nothing."""
        if self.cut:
            return "the capture kept the front of the frame only"
        if self.fault is not None:
            return self.fault.message + " (nothing proves the key)" * is_unproven(self.notices)
        if self.damaged:
            return DAMAGED
        if self.template is not None and self.payload is None:
            return next((n.text for n in self.notices if n.name in _WHY_SEALED), "sealed")
        return ""

    @property
    def hint(self) -> str:
        """Return what to try for a record that stayed sealed, or nothing."""
        reason = self.reason
        return next((n.hint for n in self.notices if n.text == reason), "")
