"""Nodes whose addresses routers do not take: what answers their registration."""

from ipaddress import IPv6Address
from typing import Any

from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import IID_MASK, link_text
from lowpanbudget.findings import concerns
from lowpanbudget.findings.admissions import Answers, refusals_of
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import Station
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.unheard import Solicited
from lowpanbudget.layers.internet.nd.lowpan_options import STATUS, AddressRegistration
from lowpanbudget.layers.internet.nd.messages import (
    DuplicateAddressConfirmation,
    DuplicateAddressRequest,
    NeighborAdvertisement,
    NeighborSolicitation,
)
from lowpanbudget.values import dataclass, field

REGISTERING = Subject("joining")  # of the same manuals as ``joining``

_ACCEPTED, _DUPLICATE = 0, 1
# not this registration is refused, but an older one is over, or the node is to prove that the address is its own
# (RFC 8505 section 4.1, RFC 8928 from memory)
_NO_REFUSALS = {4, 5}
_MOVED = 3
_MANY_TIDS = 3  # of registrations that are all behind a more recent one: not by chance; our choice
_MOST_TIDS = 8  # of a node that are remembered
_MOST_REFUSERS = 64  # of a node that are told apart
_MOST_ELSEWHERE = 8  # registrations at other routers that are remembered
_WAIT_S = 10.0  # for their answers; our choice, as for those of all registrations


@dataclass(slots=True)
class _RegistrationAnswers(Answers):
    """The same of what a node registers: whom it ``asked`` with the last transaction ids, and which had ``moved``.

    "The registration is rejected because another more recent registration was done"; "one possible cause is a stale
    registration that has progressed slowly", which one with the next id is not (RFC 8505 table 1).
    ``refusers`` are the interface identifiers of those that refused; ``elsewhere`` it asked others since then.
    """

    asked: Recent[int, int] = field(default_factory=lambda: Recent(_MOST_TIDS))
    moved: dict[int, tuple[str, int]] = field(default_factory=dict)
    refusers: set[int] = field(default_factory=set)
    elsewhere: list[tuple[int, Station, Solicited]] = field(default_factory=list)

    def accept(self) -> None:
        """Forget what had moved as well."""
        Answers.accept(self)
        self.moved.clear()
        self.refusers.clear()
        self.elsewhere.clear()

    def ask(self, to: int, over: Station, solicited: Solicited) -> None:
        """Take a registration at a router, to which the node may have gone on."""
        if self.refusals and to not in self.refusers and len(self.elsewhere) < _MOST_ELSEWHERE:
            self.elsewhere.append((to, over, solicited))

    def note_refuser(self, router: IPv6Address) -> None:
        """Note who refused it, of the first of them."""
        if len(self.refusers) < _MOST_REFUSERS:
            self.refusers.add(int(router) & IID_MASK)

    def may_be_in(self, known: Surroundings) -> bool:
        """Return whether another router may have taken the node on, unheard."""
        return any(
            to not in self.refusers and one.may_be_answered(_WAIT_S, [known.senders.get(over)])
            for to, over, one in self.elsewhere
        )

    def take_moved(self, tid: int, by: IPv6Address, status: str, number: int) -> None:
        """Note an answer of whom it asked; the third of different ones tells that all are refused."""
        asked = self.asked.get(tid)
        if asked != int(by) & IID_MASK or tid in self.moved or len(self.moved) >= _MOST_TIDS:
            return
        self.moved[tid] = str(by), number
        told = list(self.moved.values())
        if len(told) >= _MANY_TIDS:
            for sender, frame in told if len(told) == _MANY_TIDS else told[-1:]:
                self.refuse(sender, status, frame)


Registered = FirstNamed[str, _RegistrationAnswers]


@REGISTERING.rule(
    "registration-refused", HeardDatagram, memory=FirstNamed, concerns=concerns.icmpv6
)
def registration_answered(memory: Registered, scene: Scene, datagram: HeardDatagram) -> None:
    """Note the status of each answer where it starts; of one that another device has ``address-of-two-devices`` tells.

    "Registration errors are not sent back to the source address" (RFC 6775 section 6.5.2): what names the node is
    its EUI-64, or its proof of ownership. The router hands the status of a confirmation on in its advertisement
    (section 8.2.5): that is one refusal.
    """
    message = scene.message_begun
    content = None if message is None else message.message
    option: Any = None
    if isinstance(content, NeighborAdvertisement | NeighborSolicitation):
        option = next(
            (one for one in content.options if isinstance(one, AddressRegistration)), None
        )
    elif isinstance(content, DuplicateAddressRequest | DuplicateAddressConfirmation):
        option = content
    if option is None or scene.header is None:
        return
    node, confirms = link_text(option.rovr), isinstance(content, DuplicateAddressConfirmation)
    if isinstance(content, NeighborSolicitation | DuplicateAddressRequest):
        asks = memory.entry(node, _RegistrationAnswers)
        if asks is not None:
            to = int(scene.header.destination) & IID_MASK
            asks.asked.renew(option.tid, to)
            if isinstance(content, NeighborSolicitation) and datagram.link_destination is not None:
                over = datagram.pan_id, datagram.link_destination
                asks.ask(to, over, Solicited(scene.number, scene.time_s, scene.known.unread))
        return
    if option.status == _DUPLICATE or option.status in _NO_REFUSALS:
        return
    if confirms and option.status == _ACCEPTED:
        return  # that its address is no duplicate does not let a node in
    text = f"status {option.status}, {STATUS.get(option.status, 'unassigned')}"
    answers = memory.entry(node, _RegistrationAnswers)
    if answers is None:
        return
    if option.status != _ACCEPTED:
        answers.note_refuser(scene.header.source)
        if confirms:  # the router that asked refuses as well
            answers.note_refuser(scene.header.destination)
    if option.status == _MOVED:
        answers.take_moved(option.tid, scene.header.source, text, scene.number)
    elif not confirms and answers.handed_on == text:
        answers.handed_on = ""
    elif option.status == _ACCEPTED:
        answers.accept()
    else:
        answers.refuse(str(scene.header.source), text, scene.number)
        answers.handed_on = text if confirms else answers.handed_on


@REGISTERING.at_end("registration-refused")
def registration_refused(memory: Registered, known: Surroundings) -> Hits:
    """Judge each node; not one that went on to another router, whose frame numbers leave place for its answer."""
    refused = {node: one for node, one in memory.items() if not one.may_be_in(known)}
    return refusals_of(refused, "routers refuse what it registers")
