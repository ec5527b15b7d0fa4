"""What comes from somebody who wants a network to run out of something: addresses without end, handshakes never ended.

Fragments that are begun and never go on: ``reassembly``. Neither proves who it was where frames are not secured.
"""

from ipaddress import IPv6Address

from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import link_text
from lowpanbudget.errors import WireError, plural
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import seconds_text, senders_text
from lowpanbudget.layers.internet.dtls.content import CLIENT_HELLO, ContentType
from lowpanbudget.layers.internet.dtls.record import DtlsRecord, Unified, read_dtls
from lowpanbudget.values import dataclass, field

FLOODS = Subject("floods")
CROWDS = Subject(
    "floods", across=True
)  # of the same manuals: whose addresses have no end may have any PAN ID

_HEARD_ONCE = 2  # frames of an address that is not heard again
_MANY_ADDRESSES = 512  # more than one receiver hears of a network that sends so seldom; our choice
_TIMES_MORE = 4
_SHOWN = 12


@CROWDS.at_end("addresses-without-end")
def addresses_without_end(known: Surroundings) -> Hits:
    """Count the addresses that sent next to nothing."""
    senders = known.senders
    once = [(station, one) for station, one in senders.items() if one.frames <= _HEARD_ONCE]
    others = len(senders) - len(once)
    if len(once) < _MANY_ADDRESSES or len(once) < _TIMES_MORE * others:
        return
    many = f"{len(once)} or more" if len(senders) >= senders.MOST else str(len(once))
    cause = f"{many} addresses sent one or two frames each, {others} sent more"
    pans = len({pan for (pan, _), _ in once})
    long = sum(len(link) == 8 for (_, link), _ in once)
    receivers = {to for _, one in once for to in one.to}
    to = link_text(next(iter(receivers))) if len(receivers) == 1 else plural(len(receivers), "node")
    evidence = (
        f"{len(once) - long} short and {long} extended ones, in {plural(pans, 'PAN')}, to {to}",
    )
    numbers = sorted(one.first[0] for _, one in once)
    yield Hit(cause, evidence, "the network", tuple(numbers[:_SHOWN]), times=len(once))


_MANY_HANDSHAKES = 32  # our choice, as for fragments
_MOST_OPEN, _MOST_CLIENTS = 256, 64

_Endpoint = tuple[int, int]  # address and port


@dataclass(slots=True)
class _HandshakesTo:
    """Handshakes to one server: how many were begun, and how many went on; who is at it, and whether it was answered.

    ``open`` are the last that did not go on so far.
    """

    first_s: float = 0.0
    last_s: float = 0.0
    begun: int = 0
    gone_on: int = 0
    answered: int = 0
    open: Recent[_Endpoint, bool] = field(default_factory=lambda: Recent(_MOST_OPEN))
    clients: set[bytes | None] = field(default_factory=set)
    frames: Frames = field(default_factory=Frames)

    def begin(self, client: _Endpoint, scene: Scene, datagram: HeardDatagram) -> None:
        """Take a ClientHello; one that is sent again, or again with a cookie, begins nothing."""
        self.first_s = self.first_s if self.begun else scene.time_s
        self.last_s = scene.time_s
        if client in self.open:
            return
        self.open[client] = False
        self.begun += 1
        self.frames.note(*datagram.numbers[:1])
        if len(self.clients) < _MOST_CLIENTS:
            self.clients.add(datagram.link_source)

    def answer(self, client: _Endpoint) -> None:
        """Take what the server says in the clear."""
        if self.open.get(client) is False:
            self.open[client] = True
            self.answered += 1

    def go_on(self, client: _Endpoint) -> None:
        """Take what only comes behind an answer."""
        if self.open.pop(client, None) is not None:
            self.gone_on += 1


Handshakes = FirstNamed[_Endpoint, _HandshakesTo]


def _dtls_records(datagram: HeardDatagram) -> list[DtlsRecord | Unified]:
    """Return the records in a datagram, in which some were found."""
    content = datagram.udp
    if content is None or not datagram.has_records:
        return []
    try:
        return list(read_dtls(content.payload))
    except WireError:
        return []


@FLOODS.rule("handshakes-never-ended", HeardDatagram, memory=FirstNamed, concerns=concerns.records)
def handshake_message(memory: Handshakes, scene: Scene, datagram: HeardDatagram) -> None:
    """Note who begins a handshake with whom, and whether it goes on."""
    content = datagram.udp
    if scene.passage is not None or content is None:
        return
    source = int(datagram.header.source), content.source_port
    destination = int(datagram.destination), content.destination_port
    for record in _dtls_records(datagram):
        back, forth = memory.get(source), memory.get(destination)
        if isinstance(record, Unified) or record.sealed:
            if back is not None:
                back.go_on(destination)  # what a client seals without an answer proves nothing
        elif record.content_type != ContentType.HANDSHAKE or not record.fragment:
            continue
        elif record.fragment[0] == CLIENT_HELLO:
            server = forth or memory.entry(destination, _HandshakesTo)
            if server is not None:
                server.begin(source, scene, datagram)
        elif back is not None:
            back.answer(destination)
        elif forth is not None:
            forth.go_on(source)


@FLOODS.at_end("handshakes-never-ended")
def handshakes_never_ended(memory: Handshakes, _known: Surroundings) -> Hits:
    """Judge each server."""
    for (address, port), server in memory.items():
        never = server.begun - server.gone_on
        if never < _MANY_HANDSHAKES or never * 2 < server.begun:
            continue
        name = IPv6Address(address)
        cause = f"{never} of {server.begun} handshakes with {name} on port {port} were begun and never went on"
        clients = senders_text(server.clients, _MOST_CLIENTS)
        span = seconds_text(server.last_s - server.first_s)
        evidence = (f"from {clients} in {span}, {server.answered} answered",)
        yield Hit(cause, evidence, str(name), tuple(server.frames), times=never)
