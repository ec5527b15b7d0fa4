"""What rules look at: one frame in its surroundings. How a frame was read stands beneath this module alone."""

from collections.abc import Sequence
from typing import Any, TypeVar

from lowpanbudget.bits import Span
from lowpanbudget.capture.files.link_types import OTHER, RecordBody
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.flows import mark_of
from lowpanbudget.capture.follow.opened import OpenedContent
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.env import IID_MASK, Contexts, interface_identifier
from lowpanbudget.findings.datagrams import HeardDatagram, MessageBegun, iphc_of, mesh_left_of
from lowpanbudget.findings.entries import Entries
from lowpanbudget.findings.flows import FlowMatch
from lowpanbudget.findings.heard_headers import HeardHeaders
from lowpanbudget.findings.passages import Passage
from lowpanbudget.findings.senders import CounterUse, HeardSender
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet.chain import ChainPlace
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.link.phy import largest_beside
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.layers.lowpan.lorh import IpInIp
from lowpanbudget.stack.decoder import Decoder
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.pieces import FragmentedDatagram
from lowpanbudget.values import dataclass, field

Kind = TypeVar("Kind")

_NOTHING = Sighting(Record(0, None, 0, b"", 0), RecordBody(OTHER, b""), Decoder(), None)


@dataclass()  # its attributes are those of the class until they are set: a frame of most captures needs few of them
class Scene:
    """One frame in its surroundings.

    ``time_s`` is not a number where the capture has no times. ``frame`` is the frame decoded; of frames that are alike
    but for numbers and payload the first stands for all, so what may differ is here: ``octets`` (with ``fcs`` octets of
    check sequence), ``payload`` in the clear, ``sequence``, ``fcs_ok``, and the rest in the ``sighting``. ``header`` is
    the innermost IPv6 header in it, ``iphc`` the compressed header it came from, ``tunnelled`` tells that there is
    another around it. ``datagram`` is the one that it brings or completes, ``match`` its flow in the design,
    ``passage`` how it came here where another node sent it before, ``by`` what is noted of who sent it, ``fragmented``
    what its fragment belongs to, ``used_before`` the frame that used its frame counter first (``is_replayed``: it is
    that one again), ``begun`` the CoAP message that was first to have its message ID, or that it acknowledges.
    ``explained``: a rule knows why the frame cannot be read. ``entries`` are of those that are alike.
    """

    known: Surroundings
    number: int = 0
    time_s: float = 0.0
    frame: Frame = field(default_factory=lambda: Frame(b""))
    octets: bytes = b""
    fcs: int = 2
    payload: bytes | None = None
    sequence: int | None = None
    fcs_ok: bool | None = None
    sighting: Sighting = field(default_factory=lambda: _NOTHING)
    entries: Entries = field(init=False)
    header: Ipv6 | None = field(init=False, default=None)
    iphc: Iphc | None = field(init=False, default=None)
    tunnelled: bool = field(init=False, default=False)
    datagram: HeardDatagram | None = field(init=False, default=None)
    match: FlowMatch | None = field(init=False, default=None)
    passage: Passage | None = field(init=False, default=None)
    by: HeardSender | None = field(init=False, default=None)
    fragmented: FragmentedDatagram | None = field(init=False, default=None)
    used_before: CounterUse | None = field(init=False, default=None)
    is_replayed: bool = field(init=False, default=False)
    begun: MessageBegun | None = field(init=False, default=None)
    explained: bool = field(init=False, default=False)

    # --- how it was heard --------------------------------------------------------------------------------

    @property
    def contexts(self) -> Contexts:
        """Return the contexts that held when it was read."""
        return self.sighting.decoder.contexts

    @property
    def counter(self) -> int | None:
        """Return its frame counter."""
        return self.sighting.frame_counter

    @property
    def slot(self) -> int | None:
        """Return its absolute slot number by its receiver."""
        return self.sighting.body.asn

    @property
    def opened(self) -> OpenedContent | None:
        """Return what stood sealed in its datagram, where keys were given."""
        return self.sighting.opened

    # --- the frame ---------------------------------------------------------------------------------------

    @property
    def mac(self) -> Mac | None:
        """Return the MAC header; None where there is none, or none that can be read."""
        return self.frame.mac

    @property
    def security(self) -> Security | None:
        """Return the auxiliary security header; None where there is none."""
        return None if self.frame.mac is None else self.frame.mac.security

    @property
    def is_beside_design(self) -> bool:
        """Return whether its PAN is none of those that the design names; False without a design, and without a PAN.

        The next network may have the same addresses and ports: it is held against no plan.
        """
        design, pan = self.known.design, None if self.frame.mac is None else self.frame.mac.pan_id
        return design is not None and not design.link.is_of_network(pan)

    @property
    def is_forged(self) -> bool:
        """Return whether its integrity code is wrong under the keys that it names: it proves nothing of its sender."""
        return any(notice.name == "mic-wrong" for notice in self.frame.notices)

    @property
    def sealed_by(self) -> bytes | None:
        """Return the EUI-64 that the nonce was made of, where that opened the frame; else the link source as it is."""
        mac = self.frame.mac
        if mac is None or mac.source is None or len(mac.source) != 2 or not self.frame.verified:
            return None if mac is None else mac.source
        return self.extended_of(mac.source) or mac.source

    def extended_of(self, short: bytes) -> bytes | None:
        """Return the EUI-64 of who has a short address in the frame's network, where that is known."""
        number, devices = int.from_bytes(short, "big"), self.sighting.decoder.devices
        pan = None if self.frame.mac is None else self.frame.mac.pan_id
        return (None if pan is None else devices.get((pan, number))) or devices.get(number)

    @property
    def link_source(self) -> bytes | None:
        """Return the link source that counts: a mesh header's originator, else the MAC's."""
        return self.frame.link_source

    @property
    def link_destination(self) -> bytes | None:
        """Return the link destination that counts."""
        return self.frame.link_destination

    @property
    def spans(self) -> tuple[Span, ...]:
        """Return the spans of the frame."""
        return self.frame.spans

    @property
    def example(self) -> bytes:
        """Return the octets of the first frame of its kind, which faults and notices count their offsets in."""
        return self.frame.octets

    @property
    def example_payload(self) -> bytes | None:
        """Return the payload of that frame in the clear, None while sealed."""
        return self.frame.payload

    @property
    def is_fragment(self) -> bool:
        """Return whether it brings a fragment, recoverable or not."""
        return self.frame.fragment is not None

    @property
    def largest_sent(self) -> int:
        """Return the octets of the longest frame that a sender has time for; without a design what this one tells."""
        design = self.known.design
        return largest_beside(self.size, self.fcs) if design is None else design.link.largest_sent

    @property
    def size(self) -> int:
        """Return its octets on the air, the check sequence counted where the capture took it off."""
        return len(self.octets) + self.missing_fcs

    @property
    def missing_fcs(self) -> int:
        """Return the octets of a check sequence that the capture took off."""
        return 0 if self.fcs else 2

    def find(self, *kinds: type[Kind]) -> Kind | None:
        """Return the innermost header of these classes."""
        return next((one for one in reversed(self.frame.layers) if isinstance(one, kinds)), None)

    @property
    def message_begun(self) -> Icmpv6 | None:
        """Return the message of ICMPv6 that its datagram brings; None of one that is forwarded here, or wrong."""
        layers = () if self.datagram is None or self.passage is not None else self.datagram.layers
        found = next((one for one in reversed(layers) if isinstance(one, Icmpv6)), None)
        return None if found is None or found.checksum_ok is False else found

    @property
    def takes_used_id(self) -> bool:
        """Return whether its CoAP message is a new one, under a message ID whose time is not over."""
        return self.begun is not None and self.begun.reused and self.begun.number == self.number

    # --- who ---------------------------------------------------------------------------------------------

    @property
    def sender(self) -> str:
        """Return who sent the frame on this hop, as text; without link addresses the IPv6 source."""
        mac = self.frame.mac
        if mac is None and self.header is not None and self.frame.link_source is None:
            return str(self.header.source)
        link = mac.source if mac is not None else self.frame.link_source
        return self.known.home.name(link, mac)

    @property
    def hop(self) -> str:
        """Return sender and receiver of this hop, as text."""
        mac = self.frame.mac
        receiver = mac.destination if mac is not None else self.frame.link_destination
        return f"{self.sender} to {self.known.home.name(receiver, mac)}"

    @property
    def numbers(self) -> tuple[int, ...]:
        """Return the numbers of the frames that brought its datagram, or its own."""
        return (self.number,) if self.datagram is None else self.datagram.numbers

    def from_its_source(self, header: Ipv6) -> bool:
        """Return whether it is on the first hop of this header: the IPv6 source is made of its link source."""
        link = self.frame.link_source
        return link is not None and int(header.source) & IID_MASK == interface_identifier(link)

    # --- reading -----------------------------------------------------------------------------------------

    def look(self) -> tuple[Any, ...]:
        """Return the headers on the air, outermost first; the IPv6 header that counts is known then."""
        layers, around = self.frame.layers, False
        for layer in layers:
            if isinstance(layer, Iphc | Ipv6 | Legacy):
                self.tunnelled, around = around, True
                self.iphc = layer if isinstance(layer, Iphc) else None
                self.header = layer if isinstance(layer, Ipv6) else layer.header
            around |= isinstance(layer, IpInIp)  # of the next one, in 6LoRH (RFC 8138 section 7)
        return layers

    def headers(
        self, header: Ipv6, layers: Sequence[object], upper: ChainPlace | None
    ) -> HeardHeaders:
        """Return the headers of a datagram that came with this frame."""
        mac, fragmented = self.frame.mac, self.fragmented
        return HeardHeaders(
            header,
            layers,
            self.iphc if fragmented is None else iphc_of(fragmented),
            self.frame.link_source,
            self.frame.link_destination,
            None if mac is None else mac.source,
            None if mac is None else mac.pan_id,
            self.contexts,
            upper,
            mesh_left_of(self.frame),
            self.sighting.decoder.applications,
        )

    def hear(self, octets: bytes, headers: HeardHeaders, numbers: tuple[int, ...]) -> HeardDatagram:
        """Note the datagram that came with this frame, the last of those with these numbers."""
        opened, upper = self.sighting.opened, headers.upper
        self.datagram = HeardDatagram(
            octets,
            headers,
            numbers,
            self.time_s,
            None if opened is None else opened.clear,
            None if upper is None else mark_of(headers.ends[0], octets, upper),
        )
        return self.datagram
