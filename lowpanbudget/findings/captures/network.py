"""IPv6 and what keeps the network together: lengths, neighbour discovery, RPL."""

from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.capture.follow.learning import announced_rpi_type
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.env import IID_MASK, interface_identifier
from lowpanbudget.errors import WireError
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram, headers_frame, option_octets
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.rule import Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.wording import octets_text
from lowpanbudget.layers.internet import chain, ipv6, rpi, udp
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd.lowpan_options import (
    AuthoritativeBorderRouter,
    ContextOption,
)
from lowpanbudget.layers.internet.nd.messages import NeighborSolicitation, RouterAdvertisement
from lowpanbudget.layers.internet.nd.options import PrefixInformation
from lowpanbudget.layers.internet.rpl.messages import Dio
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.lowpan import lorh
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.values import dataclass, field

MLD_TYPES = frozenset({130, 131, 132, 143})
# where the hop limit of each message is asked for: RFC 2710 and RFC 3810 from memory
_HOP_LIMITS = dict.fromkeys((130, 131, 132), rfc(2710, "3")) | {
    143: rfc(3810, "5"),
    133: rfc(4861, "6.1.1"),
    134: rfc(4861, "6.1.2"),
    135: rfc(4861, "7.1.1"),
    136: rfc(4861, "7.1.2"),
    137: rfc(4861, "8.1"),
}
ALL_NODES = IPv6Address("ff02::1")
_SOLICITED_NODE = int(IPv6Address("ff02::1:ff00:0"))

NETWORK = Subject("network")
_MOST_HELD = 64


@NETWORK.rule("lengths-disagree", HeardDatagram)
def lengths_disagree(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Walk the headers; a restored header has its length computed, so only carried ones can be wrong."""
    octets, first = datagram.octets, datagram.outer.next_header
    length = datagram.outer.payload_length + ipv6.OCTETS
    wrong: _WrongLength | None = None
    if length != len(octets):
        wrong = _WrongLength(0, f"the IPv6 header says {length} octets, {len(octets)} are there")
    elif first == ipv6.UDP:
        wrong = _udp_length(datagram, datagram.udp_last, ipv6.OCTETS)
    elif first != ipv6.ICMPV6:
        wrong = _inner_length(datagram)
    if wrong is None:
        return None
    evidence = (octets[wrong.at :][:8].hex(" "),)
    return (Hit(wrong.cause, evidence, scene.sender, datagram.numbers, cite=wrong.cite),)


class _WrongLength(NamedTuple):
    """Where the header with a wrong length begins, what is wrong with it, and who says so, if not the manual's cite."""

    at: int
    cause: str
    cite: Cite | None = None


def _udp_length(datagram: HeardDatagram, header: Udp | None, at: int) -> _WrongLength | None:
    """Return what is wrong with the length of the UDP header at this octet."""
    left = len(datagram.octets) - at
    if header is None or header.length == left:
        return None
    return _WrongLength(
        at, f"UDP says {octets_text(header.length)}, IPv6 leaves {left}", cite=udp.HEADER.cite
    )


def _inner_length(datagram: HeardDatagram) -> _WrongLength | None:
    """Return what is wrong with a length inside a tunnel or behind extension headers."""
    try:
        for place in chain.walk(datagram.octets):
            if place.kind == ipv6.UDP:
                return _udp_length(datagram, datagram.udp_header(place.offset), place.offset)
            if place.kind == ipv6.FRAGMENT:
                break
            if place.kind == ipv6.IPV6:
                inner = ipv6.decode(Reader(datagram.octets, place.offset)).payload_length
                left = len(datagram.octets) - place.offset - ipv6.OCTETS
                if inner != left:
                    return _WrongLength(
                        place.offset,
                        f"the inner IPv6 header says {inner} octets follow, {left} do",
                    )
    except WireError:
        pass  # a chain that cannot be walked has its own finding
    return None


@NETWORK.rule("address-forbidden", Noticed("address-forbidden"))
def address_forbidden(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of the decoder."""
    yield Hit(
        notice.text, (f"octet {notice.offset}",), scene.sender, scene.numbers, cite=notice.cite
    )


@NETWORK.rule("hop-by-hop-misplaced", Noticed("hop-by-hop-twice"))
def hop_by_hop_beside_lorh(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of the decoder: RFC 8138 does not say whether a receiver makes one header of both."""
    where = (f"octet {notice.offset}",)
    yield Hit(notice.text, where, _maker(scene), scene.numbers, Severity.REMARK)


@NETWORK.rule("hop-by-hop-misplaced", Noticed("hop-by-hop-misplaced"))
def hop_by_hop_misplaced(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of the decoder."""
    yield Hit(notice.text, (f"octet {notice.offset}",), _maker(scene), scene.numbers)


@NETWORK.rule("source-route-visits-twice", Noticed("source-route-loop"))
def source_route_visits_twice(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of the decoder."""
    yield Hit(notice.text, (f"octet {notice.offset}",), _maker(scene), scene.numbers)


@NETWORK.rule("source-route-address-forbidden", Noticed("source-route-multicast"))
@NETWORK.rule("source-route-address-forbidden", Noticed("source-route-unspecified"))
@NETWORK.rule("source-route-address-forbidden", Noticed("source-route-loopback"))
def source_route_address_forbidden(scene: Scene, notice: Notice) -> Hits:
    """Take the notices of the decoder."""
    yield Hit(
        notice.text, (f"octet {notice.offset}",), _maker(scene), scene.numbers, cite=notice.cite
    )


def _maker(scene: Scene) -> str:
    """Return who made the headers of what is heard on any of its hops: the outermost source, where that is known."""
    if scene.datagram is not None:
        return f"from {scene.datagram.outer.source}"
    return scene.sender if scene.header is None else f"from {scene.header.source}"


@NETWORK.rule("solicitation-to-wrong-group", Icmpv6)
def solicitation_to_wrong_group(scene: Scene, message: Icmpv6) -> Hits:
    """Compare destination and target."""
    header, solicitation = scene.header, message.message
    if not isinstance(solicitation, NeighborSolicitation) or header is None:
        return
    target, destination = solicitation.target, header.destination
    group = IPv6Address(_SOLICITED_NODE | int(target) & 0xFFFFFF)
    if destination.is_multicast and destination != group:
        cause = f"{target} is asked for at {destination}, it listens at {group}"
        severity = Severity.REMARK if destination == ALL_NODES else None
        yield Hit(cause, (), scene.sender, severity=severity)


@NETWORK.rule("prefix-called-on-link", Icmpv6)
def prefix_called_on_link(scene: Scene, message: Icmpv6) -> Hits:
    """Look at the flag L where options show that the sender is a router of RFC 6775."""
    content = message.message
    if not isinstance(content, RouterAdvertisement) or message.checksum_ok is False:
        return
    if not any(
        isinstance(one, ContextOption | AuthoritativeBorderRouter) for one in content.options
    ):
        return
    for option in content.options:
        if isinstance(option, PrefixInformation) and option.on_link:
            cause = f"{option.prefix} is advertised as on the link (L)"
            yield Hit(cause, ("with options of RFC 6775",), scene.sender)


@NETWORK.rule("hop-limit-forbidden", Icmpv6)
def hop_limit_forbidden(scene: Scene, message: Icmpv6) -> Hits:
    """Compare hop limit and message type."""
    header = scene.header
    wanted = 1 if message.type in MLD_TYPES else message.required_hop_limit
    if header is not None and wanted is not None and header.hop_limit != wanted:
        cause = f"the {message.name} has hop limit {header.hop_limit}, receivers want {wanted}"
        cite = _HOP_LIMITS.get(message.type)
        yield Hit(cause, (f"type {message.type}",), scene.sender, cite=cite)


def _is_inline(scene: Scene) -> bool:
    """Return whether an RPL option was carried as one: 6LoRH leaves its type to the reader's settings."""
    frame = headers_frame(scene.frame, scene.fragmented)
    return frame is not None and not any(
        isinstance(layer, _ROUTING_HEADERS) for layer in frame.layers
    )


_ROUTING_HEADERS = lorh.Rpi | lorh.SrhLorh | lorh.IpInIp | lorh.Skipped


class OptionTypes(list[tuple[int, int]]):
    """The option type that was announced last, if any, and in which frame."""


@NETWORK.rule("rpl-option-not-as-announced", Icmpv6, memory=OptionTypes)
def rpl_option_announced(memory: OptionTypes, scene: Scene, message: Icmpv6) -> None:
    """Learn from DIOs."""
    if isinstance(message.message, Dio):
        announced = announced_rpi_type(message.message)
        if announced is not None:
            memory[:] = [(announced, scene.number)]


@NETWORK.rule("rpl-option-not-as-announced", HeardDatagram, concerns=concerns.rpl_option)
def rpl_option_not_as_announced(
    memory: OptionTypes, scene: Scene, datagram: HeardDatagram
) -> Hits | None:
    """Compare each option."""
    option = datagram.rpl_option if memory else None
    if option is None or option.type == memory[0][0] or not _is_inline(scene):
        return None
    announced, number = memory[0]
    cause = f"type {option.type:#04x} is sent, the network announced {announced:#04x}"
    return (Hit(cause, (option_octets(option),), scene.sender, (number, *datagram.numbers)),)


@dataclass(slots=True)
class UntypedOptions:
    """What would be told of options in 6LoRH, which has no type for them, until the network ``is_heard`` to say it."""

    is_heard: bool = False
    held: list[Hit] = field(default_factory=list)


@NETWORK.rule("rpl-option-leaves-network", Icmpv6, memory=UntypedOptions)
def option_type_heard(memory: UntypedOptions, _scene: Scene, message: Icmpv6) -> Hits | None:
    """Learn from the first DIO that tells it which type all options had so far."""
    dio = message.message
    announced = announced_rpi_type(dio) if isinstance(dio, Dio) and not memory.is_heard else None
    if announced is None:
        return None
    held, memory.held, memory.is_heard = memory.held, [], True
    return held if announced == rpi.OLD else None


@NETWORK.rule("rpl-option-leaves-network", HeardDatagram, concerns=concerns.rpl_option)
def rpl_option_leaves_network(
    memory: UntypedOptions, scene: Scene, datagram: HeardDatagram
) -> Hits | None:
    """Compare the prefixes of a datagram with the option that is not tunnelled behind it."""
    options, option = datagram.hop_by_hop, datagram.rpl_option
    if options is None or options.next_header == ipv6.IPV6:
        return None
    if option is None or option.type != rpi.OLD or option.down or not _crosses(datagram):
        return None
    root, to = scene.sighting.decoder.root, datagram.outer.destination
    if root is not None and int(root) >> 64 == int(to) >> 64:
        return None  # the source alone is of another prefix
    cause = f"a datagram to {to} carries an option that others must discard"
    hit = Hit(cause, (option_octets(option),), scene.sender, datagram.numbers)
    # who decompresses takes the type "that is currently active" (RFC 9008 section 4.3)
    if memory.is_heard or scene.known.rpi_type is not None or _is_inline(scene):
        return (hit,)
    if len(memory.held) < _MOST_HELD:
        memory.held.append(hit)
    return None


def _crosses(datagram: HeardDatagram) -> bool:
    """Return whether a datagram goes from a global address to one of another /64."""
    source, destination = datagram.outer.source, datagram.outer.destination
    if int(source) >> 64 == int(destination) >> 64:
        return False
    return not (source.packed[0] == 0xFE or destination.packed[0] in {0xFE, 0xFF})


def _is_inside(scene: Scene, source: IPv6Address) -> bool:
    """Return whether an address is in the /64 of the root, or that of the node where the datagram was first heard."""
    if (
        scene.sighting.decoder.root is not None
        and int(source) >> 64 == int(scene.sighting.decoder.root) >> 64
    ):
        return True
    passage = scene.passage
    link = scene.link_source if passage is None else passage.hops[0].source
    return link is not None and int(source) & IID_MASK == interface_identifier(link)


@NETWORK.rule("artefacts-inserted", HeardDatagram)
def artefacts_inserted(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Look for artefacts that lead down, right behind the header of a sender that is not in the network."""
    source, octets = datagram.outer.source, datagram.octets
    if datagram.outer.next_header not in {ipv6.HOP_BY_HOP, ipv6.ROUTING}:
        return None
    if source.is_unspecified or _is_inside(scene, source) or not _crosses(datagram):
        return None
    if chain.find(octets, ipv6.IPV6) is not None:
        return None
    option, route = datagram.rpl_option, datagram.source_route
    found = {}
    if option is not None and option.down:
        found["RPL information"] = option_octets(option)
    if route is not None:
        found["a source route"] = octets[route.offset :][:8].hex(" ")
    if found:
        cause = f"a datagram from {source} carries {' and '.join(found)} without an outer header"
        return (Hit(cause, tuple(found.values()), f"from {source}"),)
    return None


@NETWORK.rule("rpl-information-as-option", HeardDatagram, least=5)
def rpl_information_as_option(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Look for the option carried in line, and what it would take as RPI-6LoRH."""
    option = datagram.rpl_option
    if option is not None and _is_inline(scene):
        short = 4 + bool(option.rpl_instance_id) + bool(option.sender_rank & 0xFF)
        cause = f"the RPL option takes 8 octets of the datagram, {short} would do with 6LoRH and its page switch"
        return (Hit(cause, (option_octets(option),), scene.sender),)
    return None
