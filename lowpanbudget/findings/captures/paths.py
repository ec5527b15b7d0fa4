"""Paths down to nodes, which their DAO messages advertise for a time (RFC 6550 section 6.7.8)."""

from collections.abc import Iterator
from math import inf

from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.lifetimes import Granted, Lifetimes
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene, Surroundings
from lowpanbudget.layers.internet import chain, ipv6
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


class Paths(Lifetimes):
    """The last of each address; the seconds of a lifetime unit by RPL instance, as DIOs configure it."""

    def __init__(self) -> None:
        super().__init__()
        self.unit_s: dict[int, int] = {}


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
def path_advertised(memory: Paths, scene: Scene, _datagram: HeardDatagram) -> None:
    """Learn from a DAO where it starts: each counts as new, also one that keeps its Path Sequence."""
    message = scene.message_begun
    content = None if message is None else message.message
    unit_s = memory.unit_s.get(content.rpl_instance_id) if isinstance(content, Dao) else None
    source = scene.link_source
    if not isinstance(content, Dao) or unit_s is None or source is None:
        return
    for target, units in _paths(content):
        if units:
            lifetime_s = inf if units == FOREVER_UNITS else units * unit_s
            memory.grant(target, Granted(lifetime_s, scene.time_s, scene.number, source))
        else:
            memory.drop(target)


def _paths(dao: Dao) -> Iterator[tuple[int, int]]:
    """Yield each address in a DAO with its path lifetime; of several paths the one that holds longest."""
    targets: list[int] = []
    units: int | None = None
    for option in (*dao.options, None):
        if isinstance(option, TransitInformation):
            units = max(units or 0, option.path_lifetime)
        elif isinstance(option, Target) or option is None:
            if units is not None:
                yield from ((target, units) for target in targets)
                targets, units = [], None
            if option is not None and option.prefix.prefixlen == _ONE_ADDRESS:
                targets.append(int(option.prefix.network_address))


def _goes_down(datagram: HeardDatagram) -> bool:
    """Return whether a source route leads a datagram, or RPL says that it goes down."""
    option = datagram.rpl_option
    is_down = option is not None and option.down
    return is_down or chain.find(datagram.octets, ipv6.ROUTING) is not None


@PATHS.rule("path-used-too-late", HeardDatagram)
def path_used_too_late(memory: Paths, scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Look at what is routed down to an address, where it starts."""
    now = scene.time_s
    if not now > memory.due_s or not memory.is_due(now):
        return None
    over = memory.over(int(datagram.destination), now)
    if over is None or scene.passage is not None or not _goes_down(datagram):
        return None
    if datagram.link_destination == over.source:
        return None  # whom the node registered at needs no path to it
    cause = f"datagrams are routed down to an address whose path for {over.lifetime_s} s ran out"
    hit = Hit(cause, (), str(datagram.destination))
    return memory.use(int(datagram.destination), scene, hit, ("DAO", f"{scene.sender} routes"))


@PATHS.at_end("path-used-too-late")
def paths_used_too_late(memory: Paths, known: Surroundings) -> Hits:
    """Tell of the uses that only the end proves."""
    return memory.end(known)
