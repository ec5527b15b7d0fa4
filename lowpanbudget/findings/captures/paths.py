"""Paths down to nodes, which their DAO messages advertise for a time (RFC 6550 section 6.7.8)."""

from collections.abc import Iterator
from math import inf

from lowpanbudget.bits import Reader
from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import IID_MASK, interface_identifier
from lowpanbudget.errors import WireError
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.lifetimes import Granted, Lifetimes
from lowpanbudget.findings.passages import WAY_S
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet import chain, ipv6, source_route
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.rpl.messages import Dao, Dio
from lowpanbudget.layers.internet.rpl.options import (
    FOREVER_UNITS,
    DodagConfiguration,
    Target,
    TransitInformation,
)

PATHS = Subject("paths")
_ONE_ADDRESS = 128  # bits: a target of fewer is a prefix, behind which others may be
_ROOT = (
    0  # for the identifier of a router: whoever makes source routes of what DAOs tell of parents
)


class Paths(Lifetimes):
    """The last of each address at each router that stores it; the seconds of a lifetime unit by RPL instance.

    ``instances`` are those of all DAOs: a datagram without an RPL option goes in the only one.
    ``parents`` are those that the last No-Path in non-storing mode names: paths over others may hold.
    """

    def __init__(self) -> None:
        super().__init__()
        self.unit_s: dict[int, int] = {}
        self.instances: set[int] = set()
        self.parents: Recent[int, frozenset[int]] = Recent()

    def take_back(self, key: int, granted: Granted, parents: frozenset[int]) -> None:
        """Take a No-Path; one that comes from another neighbour than the path does not end it."""
        before = self.get(key)
        if before is None or before.source == granted.source:
            self.grant(key, granted)
            self.parents.renew(key, parents)


def _key(instance: int, address: int, router: int) -> int:
    """Return what names the path to an address that the router with this identifier has in an RPL instance."""
    return instance << 192 | address << 64 | router


@PATHS.rule("path-used-too-late", Icmpv6, memory=Paths)
def unit_configured(memory: Paths, _scene: Scene, message: Icmpv6) -> None:
    """Learn from DIOs."""
    content = message.message
    if not isinstance(content, Dio) or message.checksum_ok is False:
        return
    for option in content.options:
        if isinstance(option, DodagConfiguration):
            memory.unit_s[content.rpl_instance_id] = option.lifetime_unit


@PATHS.rule("path-used-too-late", HeardDatagram, concerns=concerns.icmpv6)
def path_advertised(memory: Paths, scene: Scene, datagram: HeardDatagram) -> None:
    """Learn from a DAO where it starts: each counts as new, also one that keeps its Path Sequence.

    One that names no parent is for its receiver, which stores the path: "that information is stored within the network
    and is implicit from the IPv6 source address" (RFC 6550 section 9.8).
    """
    message = scene.message_begun
    content = None if message is None else message.message
    source = scene.link_source
    if not isinstance(content, Dao) or source is None:
        return
    instance, stored = content.rpl_instance_id, int(datagram.header.destination) & IID_MASK
    unit_s = memory.unit_s.get(instance)
    memory.instances.add(instance)
    for target, transits in _paths(content):
        parents = frozenset(
            int(one.parent) & IID_MASK for one in transits if one.parent is not None
        )
        key, units = (
            _key(instance, target, _ROOT if parents else stored),
            max(one.path_lifetime for one in transits),
        )
        if not units:
            told = Granted(WAY_S, scene.time_s, scene.number, source, taken_back=True)
            memory.take_back(key, told, parents)
        elif unit_s is not None:
            lifetime_s = inf if units == FOREVER_UNITS else units * unit_s
            memory.grant(key, Granted(lifetime_s, scene.time_s, scene.number, source))
        else:
            memory.drop(key)


def _paths(dao: Dao) -> Iterator[tuple[int, list[TransitInformation]]]:
    """Yield each address in a DAO with what is told of the paths to it."""
    targets: list[int] = []
    transits: list[TransitInformation] = []
    for option in (*dao.options, None):
        if isinstance(option, TransitInformation):
            transits.append(option)
        elif isinstance(option, Target) or option is None:
            if transits:
                yield from ((target, transits) for target in targets)
                targets, transits = [], []
            if option is not None and option.prefix.prefixlen == _ONE_ADDRESS:
                targets.append(int(option.prefix.network_address))


def _goes_down(datagram: HeardDatagram) -> bool:
    """Return whether a source route leads a datagram, or RPL says that it goes down."""
    option = datagram.rpl_option
    is_down = option is not None and option.down
    return is_down or chain.find(datagram.octets, ipv6.ROUTING) is not None


def _last_router(datagram: HeardDatagram) -> int | None:
    """Return the identifier of the node that a source route names before the destination; None where it names none."""
    place, to = datagram.source_route, datagram.outer.destination
    if place is None:
        return None
    try:
        route = source_route.decode(Reader(datagram.octets, place.offset))
    except WireError:
        return None
    way = (to, *route.expand(to)[len(route.addresses) - route.segments_left :])
    return int(way[-2]) & IID_MASK if len(way) > 1 and way[-1] == datagram.destination else None


def _over(memory: Paths, scene: Scene, datagram: HeardDatagram) -> tuple[int, Granted] | None:
    """Return the path that a datagram takes from where it starts, if that is over; None of one that may be another."""
    option, to = datagram.rpl_option, int(datagram.destination)
    if option is None and len(memory.instances) > 1:
        return None
    instance = min(memory.instances) if option is None else option.rpl_instance_id
    router = interface_identifier(datagram.link_source)
    stored = None if router is None else _key(instance, to, router)
    path = None if stored is None else memory.over(stored, scene.time_s)
    if path is not None and stored is not None:
        # by the neighbour that told of it, which is no end of it: that one has the path from another
        behind = _key(instance, to, interface_identifier(path.source) or 0)
        return (
            (stored, path)
            if datagram.link_destination == path.source and behind in memory
            else None
        )
    key = _key(instance, to, _ROOT)
    path = memory.over(key, scene.time_s)
    if path is None or datagram.link_destination == path.source:
        return None  # whom the node registered at needs no path to it
    if path.taken_back and _last_router(datagram) not in memory.parents.get(key, ()):
        return None
    return key, path


@PATHS.rule("path-used-too-late", HeardDatagram)
def path_used_too_late(memory: Paths, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Look at what is routed down to an address, where it starts."""
    now = scene.time_s
    if not now > memory.due_s or not memory.is_due(now):
        return None
    found = None if scene.passage is not None else _over(memory, scene, datagram)
    if found is None or not _goes_down(datagram):
        return None
    key, path = found
    if path.taken_back:
        cause = "datagrams are routed down to an address whose path a No-Path DAO took back"
    else:
        cause = (
            f"datagrams are routed down to an address whose path for {path.lifetime_s} s ran out"
        )
    said = "No-Path DAO" if path.taken_back else "DAO"
    hit = Hit(cause, (), str(datagram.destination))
    return memory.use(key, scene, hit, (said, f"{scene.sender} routes"))


@PATHS.at_end("path-used-too-late")
def paths_used_too_late(memory: Paths, known: Surroundings) -> Hits:
    """Tell of the uses that only the end proves."""
    return memory.end(known)
