"""Registrations that nobody answers, and those that routers ignore; solicitations of routers without an answer."""

from collections.abc import Hashable
from ipaddress import IPv6Address
from typing import Any

from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import IID_MASK, link_text
from lowpanbudget.errors import plural
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import Station
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.unheard import Solicited
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd.lowpan_options import AddressRegistration
from lowpanbudget.layers.internet.nd.messages import (
    DuplicateAddressConfirmation,
    DuplicateAddressRequest,
    NeighborAdvertisement,
    NeighborSolicitation,
    RouterAdvertisement,
    RouterSolicitation,
)
from lowpanbudget.layers.internet.nd.options import SourceLinkLayerAddress
from lowpanbudget.values import dataclass, field

SOLICITATIONS = Subject("joining")  # of the same manuals as ``joining``

_FEW = 3  # that are not answered: MAX_RTR_SOLICITATIONS (RFC 6775 section 9); our choice for the others
_WAIT_S = 10.0  # for an answer: RTR_SOLICITATION_INTERVAL (the same section), and our choice for the others
_MOST_ASKED = 12
_MOST_ROUTERS = 8  # of a PAN that are remembered


@dataclass(slots=True)
class _Asking:
    """What a node asked for since it was answered: ``over`` whom an answer comes, None where any router may answer.

    ``strays`` counts advertisements that came to it in the place of an answer.
    """

    what: str
    node: str
    to: str
    pan: int | None
    over: Station | None
    count: int = 0
    strays: int = 0
    first: list[Solicited] = field(default_factory=list)

    def ask(self, asked: Solicited, over: Station | None) -> None:
        """Take one more; whom it asks now counts alone."""
        if over != self.over:
            self.answer()
            self.over = over
        self.count += 1
        if len(self.first) < _MOST_ASKED:
            self.first.append(asked)

    def answer(self) -> None:
        """Take an answer: what was asked before is past."""
        self.count, self.strays = 0, 0
        self.first.clear()


@dataclass(slots=True)
class _Advertisers:
    """Who advertises in a PAN, and the last frame in which one did so to all."""

    stations: set[Station] = field(default_factory=set)
    to_all: int = 0


@dataclass(slots=True)
class _Solicitors:
    """What is asked for, by kind and what names it; the last of a node by its link address; what routers say by PAN."""

    asking: FirstNamed[Hashable, _Asking] = field(default_factory=FirstNamed)
    of_link: Recent[Station, Hashable] = field(default_factory=Recent)
    said: FirstNamed[int | None, _Advertisers] = field(default_factory=FirstNamed)

    def ask(self, key: Hashable, new: _Asking, scene: Scene) -> None:
        """Take a frame that asks."""
        asking = self.asking.entry(key, lambda: new)
        if asking is not None:
            asking.to = new.to
            asking.ask(Solicited(scene.number, scene.time_s, scene.known.unread), new.over)

    def answer(self, key: Hashable) -> bool:
        """Take an answer; return whether it was asked for."""
        asking = self.asking.get(key)
        if asking is None:
            return False
        asking.answer()
        return True


@SOLICITATIONS.rule(
    "registration-never-answered", HeardDatagram, memory=_Solicitors, concerns=concerns.icmpv6
)
def solicited(memory: _Solicitors, scene: Scene, datagram: HeardDatagram) -> None:
    """Note what asks where it is heard first, and what answers."""
    message, link = scene.message_begun, datagram.link_source
    if message is None or link is None:
        return
    content, header, pan = message.message, datagram.header, datagram.pan_id
    if isinstance(content, NeighborSolicitation):
        option = _registration(content)
        if option is None or _why_ignored(scene, content):
            return
        key: Hashable = NeighborSolicitation, option.rovr
        memory.of_link.renew((pan, link), key)
        what, node = "neighbour advertisement with its registration", link_text(option.rovr)
    elif isinstance(content, DuplicateAddressRequest):
        key = DuplicateAddressRequest, content.rovr, int(content.registered)
        what, node = "duplicate address confirmation", f"{header.source} for {content.registered}"
    elif isinstance(content, RouterSolicitation):
        key = RouterSolicitation, int(header.source) & IID_MASK
        new = _Asking("router advertisement", str(header.source), "any router", pan, None)
        memory.ask(key, new, scene)
        return
    else:
        _answered(memory, datagram, content)
        return
    if datagram.link_destination is None or header.destination.is_multicast:
        return
    over = pan, datagram.link_destination
    memory.ask(key, _Asking(what, node, str(header.destination), pan, over), scene)


def _answered(memory: _Solicitors, datagram: HeardDatagram, content: Any) -> None:
    header, pan, link = datagram.header, datagram.pan_id, datagram.link_source
    if isinstance(content, DuplicateAddressConfirmation):
        memory.answer((DuplicateAddressRequest, content.rovr, int(content.registered)))
    elif isinstance(content, NeighborAdvertisement):
        option = _registration(content)
        if option is not None and memory.answer((NeighborSolicitation, option.rovr)):
            return
        asked = memory.of_link.get((pan, datagram.link_destination or b""))
        asking = memory.asking.get(asked)
        if asking is not None and asking.over == (pan, link):
            asking.strays += 1
    elif isinstance(content, RouterAdvertisement) and link is not None:
        memory.answer((RouterSolicitation, int(header.destination) & IID_MASK))
        routers = memory.said.entry(pan, _Advertisers)
        if routers is None:
            return
        if len(routers.stations) < _MOST_ROUTERS:
            routers.stations.add((pan, link))
        if header.destination.is_multicast:
            routers.to_all = max(datagram.numbers)


@SOLICITATIONS.at_end("registration-never-answered")
def never_answered(memory: _Solicitors, known: Surroundings) -> Hits:
    """Judge each node, where the frame numbers of whoever would answer leave no place for it.

    A frame that cannot be read may be one of the answers: the others must be enough to tell.
    """
    for asking in memory.asking.values():
        said = memory.said.get(asking.pan, _Advertisers())
        routers, since = said.stations, said.to_all
        if asking.over is not None:
            routers, since = {asking.over}, 0
        named = [one for one in asking.first if one.number > since]
        late = [one for one in named if known.end_s - one.time_s > _WAIT_S]
        by = [known.senders.get(one) for one in routers]
        missed = [one for one in late if not one.may_be_answered(_WAIT_S, by)]
        if not routers or len(missed) < _FEW:
            continue
        if len(missed) - (known.unread - missed[0].unread) < _FEW:
            continue
        part = "" if len(missed) == len(named) else f" to {len(missed)} of them"
        waited = seconds_text(known.end_s - named[0].time_s)
        evidence = [
            f"asked for {plural(asking.count, 'time')}, first {waited} before the capture ends",
            f"the frame numbers of whoever would answer leave no place for one{part}",
        ]
        if asking.strays:
            strays = plural(asking.strays, "advertisement")
            evidence.append(f"{strays} to it without its registration")
        is_open = asking.over is None  # who hears a node here may be out of its reach
        severity, certainty = (Severity.RISK, Certainty.OPEN) if is_open else (None, None)
        cause, frames = (
            f"no {asking.what} comes from {asking.to}",
            [one.number for one in named],
        )
        yield Hit(
            cause, tuple(evidence), asking.node, tuple(frames), severity, times=asking.count,
            certainty=certainty,
        )  # fmt: skip


def _registration(message: Any) -> AddressRegistration | None:
    options = (one for one in message.options if isinstance(one, AddressRegistration))
    return next(options, None)


def _why_ignored(scene: Scene, message: NeighborSolicitation) -> str:
    """Return why routers ignore a registration, or nothing (RFC 6775 section 6.5)."""
    option, header = _registration(message), scene.header
    if option is None or header is None:
        return ""
    if option.status:
        return f"its status is {option.status}, and not 0"
    if header.source == _UNSPECIFIED:
        return "it comes from the unspecified address"
    if not any(isinstance(one, SourceLinkLayerAddress) for one in message.options):
        return "it comes without the link-layer address of its source"
    return ""


_UNSPECIFIED = IPv6Address(0)


@SOLICITATIONS.rule("registration-ignored", Icmpv6)
def registration_ignored(scene: Scene, message: Icmpv6) -> Hits:
    """Look at what a registration must have."""
    content = message.message
    if isinstance(content, NeighborSolicitation) and message.checksum_ok is not False:
        why = _why_ignored(scene, content)
        if why:
            yield Hit(f"routers ignore a registration: {why}", (), scene.sender)
