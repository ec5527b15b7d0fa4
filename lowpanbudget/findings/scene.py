"""What rules look at: one frame in its surroundings. How a frame was read stands beneath this module alone."""

from collections import Counter
from collections.abc import Sequence
from ipaddress import IPv6Address, IPv6Network
from typing import Any, TypeVar

from lowpanbudget.bits import Span
from lowpanbudget.capture.follow.opened import OpenedContent
from lowpanbudget.capture.follow.parts import Copied
from lowpanbudget.capture.recent import Recent
from lowpanbudget.design.meaning import Design
from lowpanbudget.env import IID_MASK, Contexts, interface_identifier
from lowpanbudget.findings.corrections import Uncorrected, Untimed
from lowpanbudget.findings.datagrams import (
    HeardDatagram,
    MessageBegun,
    UdpContent,
    iphc_of,
    mesh_left_of,
)
from lowpanbudget.findings.flows import FlowBook, FlowMatch
from lowpanbudget.findings.header_forms import SumsByForm
from lowpanbudget.findings.home import HomeNetwork
from lowpanbudget.findings.key_users import KeyUsers
from lowpanbudget.findings.losses import Losses
from lowpanbudget.findings.passages import Passage
from lowpanbudget.findings.ranks import AnnouncedRanks
from lowpanbudget.findings.registered import RegisteredAddresses
from lowpanbudget.findings.routers import Routers
from lowpanbudget.findings.senders import CounterUse, Givers, HeardSender, Refusal, Senders, Station
from lowpanbudget.findings.silences import Pauses
from lowpanbudget.findings.sums import DifferencesOfSenders
from lowpanbudget.layers.internet.chain import ChainPlace
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.ipv6 import MINIMUM_MTU, Ipv6
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.mac import LARGEST_FRAME, Mac
from lowpanbudget.layers.link.nonces import Devices
from lowpanbudget.layers.link.phy import largest_beside
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.layers.lowpan.lorh import IpInIp
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.pieces import FragmentedDatagram
from lowpanbudget.values import dataclass, field

MOST_PREFIXES = MOST_PANS = MOST_PORTS = 64
Kind = TypeVar("Kind")


@dataclass(slots=True)
class Surroundings:
    """What is known beside the frames, and what they have taught so far (bounded).

    ``largest``: octets of the longest frame, check sequence included; ``mtu``: of the largest datagram. ``devices`` are
    EUI-64s. ``timeout_s`` is the receivers' time to reassemble, ``rpi_type`` the type of the RPL option where it is
    given. ``prefixes`` are those of 64 bits seen, ``pans`` PAN IDs with their frames, ``ports`` those of UDP under
    right checksums, ``announced`` the last prefixes of contexts on the air. ``flows`` finds those of the design,
    ``senders`` are who sent data frames, ``acknowledged`` who acknowledged any, ``insistent`` who tried again without
    one, ``refusals`` what was not accepted, ``uncorrected`` who does not set its clock. ``losses`` of datagrams in
    fragments, ``routers`` of what nodes send on, ``ranks`` of DIOs, ``keys`` which keys nodes name, ``sums`` are
    unexplained checksums, ``forms`` all by the form of headers, ``end_s`` is the time of the last frame, ``unread``
    counts data frames sealed or with a fault. ``asked_again``: requests without answer. ``registered`` are addresses.
    """

    contexts: Contexts = field(default_factory=Contexts)
    design: Design | None = None
    devices: frozenset[bytes] = frozenset()
    largest: int = LARGEST_FRAME
    mtu: int = MINIMUM_MTU
    timeout_s: float = 60.0
    rpi_type: int | None = None
    prefixes: Recent[int, int] = field(default_factory=lambda: Recent(MOST_PREFIXES))
    pans: dict[int, int] = field(default_factory=dict)
    ports: Recent[int, int] = field(init=False, default_factory=lambda: Recent(MOST_PORTS))
    announced: dict[int, list[IPv6Network]] = field(init=False, default_factory=dict)
    flows: FlowBook | None = field(init=False, default=None)
    senders: Senders = field(init=False, default_factory=Senders)
    losses: Losses = field(init=False, default_factory=Losses)
    routers: Routers = field(init=False, default_factory=Routers)
    ranks: AnnouncedRanks = field(init=False, default_factory=AnnouncedRanks)
    acknowledged: Givers = field(init=False, default_factory=Givers)
    insistent: set[Station] = field(init=False, default_factory=set)
    refusals: list[Refusal] = field(init=False, default_factory=list)
    uncorrected: list[Uncorrected | Untimed] = field(init=False, default_factory=list)
    keys: KeyUsers = field(init=False, default_factory=KeyUsers)
    sums: DifferencesOfSenders = field(init=False, default_factory=DifferencesOfSenders)
    forms: SumsByForm = field(init=False, default_factory=SumsByForm)
    end_s: float = 0.0
    pauses: Pauses = field(init=False, default_factory=Pauses)
    unread: int = 0
    asked_again: Counter[bytes | None] = field(init=False, default_factory=Counter)
    registered: RegisteredAddresses = field(init=False, default_factory=RegisteredAddresses)
    home: HomeNetwork = field(init=False, default_factory=HomeNetwork)

    def __post_init__(self) -> None:
        if self.design is not None:
            self.home = HomeNetwork(self.design.link.pan_id, self.design.link.destination_pan_id)
            self.flows = FlowBook(self.design)

    def learn_prefix(self, address: IPv6Address) -> None:
        """Remember the /64 of a unicast address that was carried in full or restored with a valid checksum."""
        prefix = int(address) >> 64
        if prefix and prefix >> 56 != 0xFF:
            self.prefixes.renew(prefix, 1)

    def learn_ports(self, content: UdpContent | None) -> None:
        """Remember the ports of a datagram, where it has some."""
        for port in () if content is None else (content.source_port, content.destination_port):
            self.ports.renew(port, 1)

    def learn_pan(self, pan: int) -> None:
        """Count a frame of this PAN."""
        if pan in self.pans or len(self.pans) < MOST_PANS:
            self.pans[pan] = self.pans.get(pan, 0) + 1


@dataclass(slots=True)
class Scene:
    """One frame in its surroundings.

    ``time_s`` is not a number where the capture has no times. ``frame`` is the frame decoded; of frames that are alike
    but for numbers and payload the first stands for all, so what may differ is here: ``octets`` (with ``fcs`` octets of
    check sequence), ``payload`` in the clear, ``sequence``, ``counter``, ``fcs_ok``, ``copied`` (the frame whose
    contents it has under another number). ``contexts`` are those that held when it was read. ``header`` is the
    innermost IPv6 header in it, ``iphc`` the compressed header it came from, ``tunnelled`` tells that there is another
    around it. ``datagram`` is the one that it brings or completes, ``match`` its flow in the design, ``passage`` how it
    came here where another node sent it before, ``by`` what is noted of who sent it, ``fragmented`` what its fragment
    belongs to, ``used_before`` the frame that used its frame counter first (``is_replayed``: it is that one again),
    ``begun`` the CoAP message that was first to have its message ID, or that it acknowledges. ``explained``: a rule
    knows why the frame cannot be read. ``opened`` is what stood sealed in its datagram, where keys were given.
    ``root``: the RPL root then, ``devices``: EUI-64s, ``slot``: its slot by ``receiver``, ``reckoned``: by beacons.
    """

    known: Surroundings
    number: int = 0
    time_s: float = 0.0
    frame: Frame = field(default_factory=lambda: Frame(b""))
    contexts: Contexts = field(default_factory=Contexts)
    octets: bytes = b""
    fcs: int = 2
    payload: bytes | None = None
    sequence: int | None = None
    counter: int | None = None
    fcs_ok: bool | None = None
    copied: Copied | None = None
    header: Ipv6 | None = None
    iphc: Iphc | None = None
    tunnelled: bool = False
    datagram: HeardDatagram | None = None
    match: FlowMatch | None = None
    passage: Passage | None = None
    by: HeardSender | None = None
    fragmented: FragmentedDatagram | None = None
    used_before: CounterUse | None = None
    is_replayed: bool = False
    begun: MessageBegun | None = None
    explained: bool = False
    opened: OpenedContent | None = None
    root: IPv6Address | None = None
    slot: int | None = None
    reckoned: int | None = None
    receiver: str | None = None
    devices: Devices = field(default_factory=Devices)

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
        short = int.from_bytes(mac.source, "big")
        known = None if mac.pan_id is None else self.devices.get((mac.pan_id, short))
        return known or self.devices.get(short, mac.source)

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

    def heard(
        self,
        header: Ipv6,
        octets: bytes,
        layers: Sequence[object],
        numbers: tuple[int, ...],
        upper: ChainPlace | None,
    ) -> HeardDatagram:
        """Return a datagram that came with this frame, the last of those with these numbers."""
        mac, fragmented = self.frame.mac, self.fragmented
        return HeardDatagram(
            octets,
            header,
            layers,
            self.iphc if fragmented is None else iphc_of(fragmented),
            self.frame.link_source,
            self.frame.link_destination,
            None if mac is None else mac.pan_id,
            self.contexts,
            numbers,
            self.time_s,
            upper,
            None if self.opened is None else self.opened.clear,
            mesh_left=mesh_left_of(self.frame),
        )
