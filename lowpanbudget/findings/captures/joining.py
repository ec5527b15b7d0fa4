"""Nodes that are not let in: what answers their association, and their DAO."""

from collections import Counter
from collections.abc import Collection
from ipaddress import IPv6Address

from lowpanbudget.env import IID_MASK, link_text
from lowpanbudget.errors import plural
from lowpanbudget.findings import concerns
from lowpanbudget.findings.admissions import Answered, note, refusals_of
from lowpanbudget.findings.captures.daos import is_discarded
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.origins import origin_of
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import HeardSender, Station
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.unheard import Solicited
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.rpl.messages import REJECTION, Dao, DaoAck, status_text
from lowpanbudget.layers.link.contents import (
    ASSOCIATED,
    ASSOCIATION_RESPONSE,
    ASSOCIATION_STATUS,
    Command,
)
from lowpanbudget.values import dataclass, field

JOINING = Subject("joining")

# --- the PAN ---------------------------------------------------------------------------------------------


@JOINING.rule("association-refused", Command, memory=FirstNamed)
def association_answered(memory: Answered, scene: Scene, command: Command) -> None:
    """Note the status of each response."""
    status = command.fields.get("association_status")
    if command.id != ASSOCIATION_RESPONSE or status is None or scene.link_destination is None:
        return
    text = f"status {status}, {ASSOCIATION_STATUS.get(status, 'reserved')}"
    node = link_text(scene.link_destination)
    note(memory, node, scene, text, accepts=status in ASSOCIATED)


@JOINING.at_end("association-refused")
def association_refused(memory: Answered, _known: Surroundings) -> Hits:
    """Judge each device."""
    return refusals_of(memory, "the coordinator refuses its association")


# --- its routes ------------------------------------------------------------------------------------------


@JOINING.rule("dao-refused", HeardDatagram, memory=FirstNamed, concerns=concerns.icmpv6)
def dao_answered(memory: Answered, scene: Scene, datagram: HeardDatagram) -> None:
    """Note the status of each DAO-ACK where it starts; below 128 the parent is willing."""
    message = scene.message_begun
    content = None if message is None else message.message
    if isinstance(content, DaoAck):
        text = f"status {content.status}, {status_text(content.status)}"
        node = datagram.destination
        note(memory, node, scene, text, accepts=content.status < REJECTION)


@JOINING.at_end("dao-refused")
def dao_refused(memory: Answered, _known: Surroundings) -> Hits:
    """Judge each node."""
    return refusals_of(memory, "its DAO messages are rejected")


_WAIT_S = 60.0  # for an answer; RFC 6550 names no time, and sleeping nodes fetch theirs: our choice
_FEW = 3  # DAO messages without an answer that tell; our choice
_MOST_ASKED = 64  # of a node that are remembered


@dataclass(slots=True)
class _AskedDaos:
    """DAO messages of a node that asked for an acknowledgement since one came last: how many, and the first of them.

    ``to`` is whom the last of them went to, ``over`` the next node on its way, which also brings what comes back.
    ``strays`` counts acknowledgements of other sequences. ``is_routed``: a source route led to the node since then.
    ``by`` is what is noted of the node.
    """

    source: IPv6Address
    to: IPv6Address
    over: Station
    by: HeardSender | None = None
    was_answered: bool = False
    count: int = 0
    strays: int = 0
    is_routed: bool = False
    sequences: set[int] = field(default_factory=set)
    first: list[Solicited] = field(default_factory=list)

    def answer(self, sequence: int) -> None:
        """Take an acknowledgement, on whatever hop it was heard."""
        if sequence not in self.sequences:
            self.strays += bool(self.count)
            return
        self.was_answered, self.count, self.strays = True, 0, 0
        self.sequences.clear()
        self.first.clear()

    def unanswered(self, known: Surroundings) -> list[Solicited]:
        """Return those that nothing answered: the numbers of whoever brought the answer leave no place for one."""
        if not self.count or not known.end_s - self.first[0].time_s >= _WAIT_S:
            return []
        by = [known.senders.get(self.over)]
        return [one for one in self.first if not one.may_be_answered(_WAIT_S, by)]


# by interface identifier, as a node may ask from one address and be answered at another, and RPL instance
AskedForAck = FirstNamed[tuple[int, int], _AskedDaos]


@JOINING.rule("dao-never-acknowledged", HeardDatagram, memory=FirstNamed, concerns=concerns.icmpv6)
def dao_asked(memory: AskedForAck, scene: Scene, datagram: HeardDatagram) -> None:
    """Note each DAO that asks (K) where it is heard first, and what answers it on any hop.

    "A node MAY set the 'K' flag in a unicast DAO message to solicit a unicast DAO-ACK" (RFC 6550 section 9.3).
    """
    layers = reversed(datagram.layers)
    message = next((one for one in layers if isinstance(one, Icmpv6)), None)
    if message is None or message.checksum_ok is False:
        return
    content, header = message.message, datagram.header
    if isinstance(content, DaoAck):
        asked = memory.get((int(datagram.destination) & IID_MASK, content.rpl_instance_id))
        if asked is not None:
            asked.answer(content.sequence)
        return
    if not isinstance(content, Dao) or not content.acknowledge or scene.passage is not None:
        return
    if header.destination.is_multicast or datagram.link_destination is None:
        return
    if is_discarded(content):
        return  # nobody answers it, which its form tells
    to, over = header.destination, (datagram.pan_id, datagram.link_destination)
    key = int(header.source) & IID_MASK, content.rpl_instance_id
    asked = memory.entry(key, lambda: _AskedDaos(header.source, to, over))
    if asked is None:
        return
    asked.by = origin_of(scene, header) or asked.by
    if not asked.count:
        asked.is_routed = False
    asked.to, asked.over, asked.count = to, over, asked.count + 1
    if len(asked.first) < _MOST_ASKED:
        asked.sequences.add(content.sequence)
        asked.first.append(Solicited(scene.number, scene.time_s, scene.known.unread))


@JOINING.rule("dao-never-acknowledged", HeardDatagram, concerns=concerns.source_route)
def dao_used(memory: AskedForAck, scene: Scene, datagram: HeardDatagram) -> None:
    """Note to which node a source route leads: the root makes it of what DAOs told it (RFC 6550 section 9.7)."""
    if concerns.source_route(scene):
        option = datagram.rpl_option
        instance = 0 if option is None else option.rpl_instance_id
        asked = memory.get((int(datagram.destination) & IID_MASK, instance))
        if asked is not None:
            asked.is_routed = True


@JOINING.at_end("dao-never-acknowledged")
def dao_never_acknowledged(memory: AskedForAck, known: Surroundings) -> Hits:
    """Judge each node, where the frame numbers of whoever would bring the answer leave no place for it.

    A frame that cannot be read may bring one of them: the others must be enough to tell.
    Few that have no answer may be lost, on their way as well: then nothing is said of a node that has had one, or
    whose DAO the root uses. One that asked once may "reschedule the DAO message" (RFC 6550 section 9.3), and did not.
    """
    told = [(asked, asked.unanswered(known)) for asked in memory.values()]
    silent = _silent(told)
    for asked, missed in told:
        if not missed:
            continue
        few, has_way = len(missed) < _FEW, asked.strays or asked.is_routed
        if few and (asked.was_answered or has_way):
            continue
        unread = known.unread - missed[0].unread
        if unread and len(missed) - unread < _FEW:
            continue
        waited = seconds_text(known.end_s - asked.first[0].time_s)
        cause, often = f"no DAO-ACK comes from {asked.to}", plural(asked.count, "time")
        evidence = [f"{asked.source} asked {often}, first {waited} before the capture ends"]
        unproved = len(asked.first) - len(missed)
        if unproved:
            evidence.append(f"{plural(unproved, 'answer')} to it may have gone unheard")
        if asked.strays:
            evidence.append(f"{plural(asked.strays, 'DAO-ACK')} with a sequence of none of them")
        if unread:
            evidence.append(f"{plural(unread, 'frame')} since then cannot be read")
        if asked.is_routed:
            evidence.append("source routes lead to it: the root has its DAO")
        if asked.by is not None:
            asked.by.daos_in_vain += asked.count
        severity, certainty = (Severity.RISK, Certainty.OPEN) if few else (None, None)
        if len(missed) == 1 and asked.to not in silent:
            severity = Severity.REMARK
        yield Hit(
            cause, tuple(evidence), str(asked.source), tuple(one.number for one in missed), severity,
            times=asked.count - unproved, certainty=certainty, advice=_ANSWER if has_way else "",
        )  # fmt: skip


_ANSWER = (
    "DAOs arrive: look whether parent or root answers each that has the K flag, with its own DAOSequence, and over "
    "which nodes the answer goes. Where nobody is meant to answer, clear K."
)


def _silent(told: Collection[tuple[_AskedDaos, list[Solicited]]]) -> set[IPv6Address]:
    """Return who was asked several times, by whatever nodes, and acknowledged nothing."""
    counts = Counter[IPv6Address]()
    for asked, missed in told:
        counts[asked.to] += len(missed)
    answering = {asked.to for asked, _ in told if asked.was_answered or asked.strays}
    return {to for to, count in counts.items() if count >= _FEW} - answering
