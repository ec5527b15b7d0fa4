"""What is known beside the frames of a network, and what they have taught so far."""

from collections import Counter
from ipaddress import IPv6Address, IPv6Network

from lowpanbudget.capture.recent import Recent
from lowpanbudget.design.meaning import Design
from lowpanbudget.env import Contexts
from lowpanbudget.findings.context_users import KnownUsers
from lowpanbudget.findings.corrections import Uncorrected, Untimed
from lowpanbudget.findings.datagrams import UdpContent
from lowpanbudget.findings.flows import FlowBook
from lowpanbudget.findings.header_forms import SumsByForm
from lowpanbudget.findings.home import HomeNetwork
from lowpanbudget.findings.key_users import KeyUsers
from lowpanbudget.findings.losses import Losses
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.ranks import AnnouncedRanks
from lowpanbudget.findings.registered import RegisteredAddresses
from lowpanbudget.findings.routers import Routers
from lowpanbudget.findings.senders import Givers, Refusal, Senders, Station
from lowpanbudget.findings.silences import Pauses
from lowpanbudget.findings.sums import DifferencesOfSenders
from lowpanbudget.layers.internet.ipv6 import MINIMUM_MTU
from lowpanbudget.layers.link.mac import LARGEST_FRAME
from lowpanbudget.values import dataclass, field

MOST_PREFIXES = MOST_PANS = MOST_PORTS = 64


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
    ``compressors`` tell who uses which contexts, ``begun`` who sends flows otherwise than planned on its own hop.
    ``beside`` is what is known of the capture's other networks, by PAN.
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
    compressors: KnownUsers = field(init=False, default_factory=KnownUsers)
    begun: FirstNamed[tuple[str, str, str], bool] = field(init=False, default_factory=FirstNamed)
    beside: dict[int | None, "Surroundings"] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        if self.design is not None:
            self.home = HomeNetwork(self.design.link.pan_id, self.design.link.destination_pan_id)
            self.flows = FlowBook(self.design)

    def of(self, pan: int | None) -> "Surroundings":
        """Return what is known of the network of a PAN: this one, where it is not told apart."""
        return self.beside.get(pan, self)

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
