"""Routers that take datagrams and do not send them on.

What a router acknowledged it has. Where it sent on what it took later, from the same sender to the same receiver, and
its own frame numbers leave no place for another frame, it never sent it.
"""

from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.capture.follow.flows import mark_of
from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import link_text
from lowpanbudget.errors import plural
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.passages import WAY_S
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene, Surroundings
from lowpanbudget.layers.link.mac import BROADCAST, FrameType, Mac
from lowpanbudget.values import dataclass, field

FORWARDING = Subject("forwarding")
_MOST_WAITING = 256  # datagrams that one router has of one flow
_MOST_AT_ALL = 65_536  # after which all that waits is forgotten
_OVERTAKEN = 3  # later ones that were sent on before: a queue keeps its order; our choice
_SOME = 3  # datagrams that were not sent on; our choice

Ends = tuple[IPv6Address, IPv6Address]


class _Waiting(NamedTuple):
    """A datagram that a router acknowledged, in this frame, and how many later ones it sent on before."""

    number: int
    overtaken: int = 0


@dataclass(slots=True)
class _Flow:
    """The datagrams between two ends that a router took: those that wait, how many it sent on, and those it kept."""

    waiting: Recent[int, _Waiting] = field(default_factory=lambda: Recent(_MOST_WAITING))
    taken: int = 0
    kept: int = 0
    frames: Frames = field(default_factory=Frames)

    def send_on(self, mark: int) -> None:
        """Note that one was sent on, and what it overtook."""
        sent = self.waiting.pop(mark, None)
        if sent is None:
            return
        for other, one in list(self.waiting.items()):
            if one.number > sent.number:
                continue
            if one.overtaken + 1 < _OVERTAKEN:
                self.waiting[other] = one._replace(overtaken=one.overtaken + 1)
                continue
            del self.waiting[other]
            self.kept += 1
            self.frames.note(one.number)


class _Flows(FirstNamed[Ends, _Flow]):
    """The first flows through a router."""

    MOST = 32


@dataclass(slots=True)
class _Router:
    """A node that takes datagrams, by their ends; its last frame number, whether that is a counter, and when."""

    flows: _Flows = field(default_factory=_Flows)
    last: tuple[int, bool, float] | None = None

    def count(self, scene: Scene) -> None:
        """Take a frame of its own: where numbers are missing it may have sent whatever waited."""
        counter, sequence = scene.counter, scene.sequence
        number = sequence if counter is None else counter
        if number is None:
            return
        before, self.last = self.last, (number, counter is not None, scene.time_s)
        if before is None:
            return
        last, was_counter, time_s = before
        is_counter = counter is not None
        step = number - last if is_counter else (number - last) % 256
        if was_counter != is_counter or step not in (0, 1):
            self.forget()
        elif not is_counter and scene.time_s - time_s > WAY_S:
            self.forget()  # eight bits may have gone round

    def forget(self) -> None:
        """Conclude nothing about what waits."""
        for flow in self.flows.values():
            flow.waiting.clear()


class _Offered(NamedTuple):
    """A frame with a datagram that asks for an acknowledgement: who should give it, and what of."""

    receiver: bytes
    ends: Ends
    mark: int
    number: int
    sequence: int | None


class Routers(FirstNamed[bytes, _Router]):
    """Nodes by their link addresses, the last frame that asked for an acknowledgement, and how many were taken."""

    MOST = 512
    asked: _Offered | None = None
    taken: int = 0


@FORWARDING.rule("datagrams-not-sent-on", Scene, memory=Routers)
def frame_heard(memory: Routers, scene: Scene, _frame: Scene) -> None:
    """Take acknowledgements, and the numbers of frames."""
    mac, asked = scene.mac, memory.asked
    if mac is None or scene.fcs_ok is False or scene.is_forged:
        return
    if mac.frame_type == FrameType.ACKNOWLEDGEMENT:
        if asked is not None and asked.sequence == scene.sequence:
            memory.asked = None
            _take(memory, asked)
        return
    router = None if mac.source is None else memory.get(mac.source)
    if router is not None:
        router.count(scene)


def _take(memory: Routers, asked: _Offered) -> None:
    router = memory.entry(asked.receiver, _Router)
    flow = None if router is None else router.flows.entry(asked.ends, _Flow)
    if flow is not None and asked.mark not in flow.waiting:
        memory.taken += 1
        if memory.taken % _MOST_AT_ALL == 0:
            for other in memory.values():
                other.forget()
        flow.taken += 1
        flow.waiting[asked.mark] = _Waiting(asked.number)


@FORWARDING.rule("datagrams-not-sent-on", HeardDatagram)
def datagram_heard(memory: Routers, scene: Scene, datagram: HeardDatagram) -> None:
    """Take a datagram that goes to a node, and that may be one which another sends on."""
    mac, upper = scene.mac, datagram.upper
    if mac is None or upper is None or upper.hidden or scene.is_fragment or scene.tunnelled:
        return
    header = datagram.header
    ends = header.source, header.destination
    mark = mark_of(header.source, datagram.octets, upper)
    router = None if datagram.link_source is None else memory.get(datagram.link_source)
    flow = None if router is None else router.flows.get(ends)
    if flow is not None:
        flow.send_on(mark)
    memory.asked = _asked(mac, scene, ends, mark)


def _asked(mac: Mac, scene: Scene, ends: Ends, mark: int) -> _Offered | None:
    if not mac.ack_request or mac.destination in {None, BROADCAST}:
        return None
    assert mac.destination is not None
    return _Offered(mac.destination, ends, mark, scene.number, scene.sequence)


@FORWARDING.at_end("datagrams-not-sent-on")
def datagrams_not_sent_on(memory: Routers, _known: Surroundings) -> Hits:
    """Tell of each router and flow."""
    for address, router in memory.items():
        for (source, destination), flow in router.flows.items():
            if flow.kept < _SOME:
                continue
            name = link_text(address)
            cause = (
                f"{name} acknowledged {plural(flow.taken, 'datagram')} and never sent {flow.kept} of them on, though "
                "it sent on later ones: its frame numbers leave no place for them"
            )
            subject = f"{name}: {source} to {destination}"
            yield Hit(cause, (), subject, tuple(flow.frames), times=flow.kept)
