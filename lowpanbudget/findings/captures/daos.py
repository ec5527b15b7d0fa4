"""RPL messages of a form that they may not have: their addresses, and what a DAO holds in a mode of operation."""

from collections.abc import Iterator
from ipaddress import IPv6Address

from lowpanbudget.cites import Cite, rfc
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.padding import Pad1, PadN
from lowpanbudget.layers.internet.rpl.messages import (
    ALL_NODES,
    INFINITE_RANK,
    MODES,
    NON_STORING,
    Dao,
    Dio,
    Dis,
)
from lowpanbudget.layers.internet.rpl.options import TransitInformation
from lowpanbudget.values import dataclass, field

DAOS = Subject("daos")

_FEW = 2  # DAOs of a node that go against the mode, which may be another by then; our choice
_SCOPE, _ENDS, _PARENT = rfc(6550, "6"), rfc(6550, "9.1"), rfc(6550, "9.7")


@dataclass(slots=True)
class _AgainstMode:
    """DAOs of a node that one mode of operation or another does not allow."""

    count: int = 0
    frames: Frames = field(default_factory=Frames)


@dataclass(slots=True)
class Daos:
    """The modes that the DIOs of an instance announce; DAOs by instance, source, and which rule they break in a mode.

    A rule has a cite, and what breaks it in words.
    """

    modes: dict[int, set[int]] = field(default_factory=dict)
    told: FirstNamed[tuple[int, IPv6Address, bool, str, Cite], _AgainstMode] = field(
        default_factory=FirstNamed
    )


@DAOS.rule("rpl-message-of-wrong-form", HeardDatagram, memory=Daos, concerns=concerns.icmpv6)
def control_message_sent(memory: Daos, scene: Scene, datagram: HeardDatagram) -> Hits:
    """Look at each message where it starts."""
    message, header = scene.message_begun, datagram.header
    content = None if message is None else message.message
    if isinstance(content, Dio) and content.rank != INFINITE_RANK:
        memory.modes.setdefault(content.rpl_instance_id, set()).add(content.mode)
    if isinstance(content, Dio | Dis):
        what = "DIO" if isinstance(content, Dio) else "DIS"
        for cause in _of_another_scope(header):
            hit = Hit(f"a {what} {cause}", (), str(header.source), datagram.numbers, Severity.RISK)
            yield hit._replace(advice=_LINK, cite=_SCOPE)
    if not isinstance(content, Dao):
        return
    if is_discarded(content):
        yield Hit(_NO_TARGET, (), str(header.source), datagram.numbers)
    transits = [one for one in content.options if isinstance(one, TransitInformation)]
    for storing, cause, cite in _against_modes(header, transits):
        key = content.rpl_instance_id, header.source, storing, cause, cite
        told = memory.told.entry(key, _AgainstMode)
        if told is not None:
            told.count += 1
            told.frames.note(*datagram.numbers)


_LINK = f"Send DIOs and DIS from the link-local address, to {ALL_NODES} or to that of a neighbour that asked."
_NO_TARGET = "transit information in a DAO stands behind no target: who gets it must discard it"


def is_discarded(dao: Dao) -> bool:
    """Return whether transit information stands before any target: "it MUST discard the DAO" (RFC 6550 section 9.4)."""
    first = next((one for one in dao.options if not isinstance(one, Pad1 | PadN)), None)
    return isinstance(first, TransitInformation)


def _of_another_scope(header: Ipv6) -> Iterator[str]:
    """Yield what is wrong with the ends of a message that is for neighbours."""
    source, destination = header.source, header.destination
    if not source.is_link_local and not source.is_unspecified:
        yield "comes from an address that is not link-local"
    if destination != ALL_NODES and not destination.is_link_local:
        yield f"goes to {destination}: neither to {ALL_NODES} nor to a link-local address"


def _against_modes(
    header: Ipv6, transits: list[TransitInformation]
) -> Iterator[tuple[bool, str, Cite]]:
    """Yield what a DAO may not have in storing modes, or in the other one.

    External routes are told to the root in all modes (RFC 9008 section 4.1.1). One that tells of no path, as projected
    routes do, has rules of its own.
    """
    ends = header.source, header.destination
    if not transits or header.destination.is_multicast:
        return
    local = [one.is_link_local for one in ends]
    if any(local):
        yield (
            False,
            "DAOs have a link-local address: they go to a neighbour, and not to the root",
            _ENDS,
        )
    elif any(one.parent is None for one in transits):
        yield False, "DAOs name no parent", _PARENT
    if not all(local) and not any(one.external for one in transits):
        yield True, "DAOs have an address that is not link-local", _ENDS


@DAOS.at_end("rpl-message-of-wrong-form")
def daos_against_the_mode(memory: Daos, _known: Surroundings) -> Hits:
    """Judge DAOs by the mode of their instance, where all DIOs agree about it."""
    for (instance, source, storing, what, cite), told in memory.told.items():
        modes = memory.modes.get(instance, set())
        if len(modes) != 1 or told.count < _FEW:
            continue
        (mode,) = modes
        if not mode or storing is (mode == NON_STORING):
            continue
        cause = f"{what}, in mode of operation {mode} ({MODES.get(mode, 'unassigned')})"
        severity = Severity.RISK if storing else None
        yield Hit(cause, (), str(source), tuple(told.frames), severity, times=told.count, cite=cite)
