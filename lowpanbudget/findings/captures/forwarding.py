"""Routers that take datagrams and do not send them on, or twice."""

from lowpanbudget.env import link_text
from lowpanbudget.errors import plural
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.routers import Offered
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene, Surroundings
from lowpanbudget.layers.link.mac import BROADCAST, FrameType

FORWARDING = Subject("forwarding")
_SOME = 3  # datagrams that were not sent on, or twice; our choice


@FORWARDING.rule("datagrams-not-sent-on", Scene, varies=True)
def frame_heard(scene: Scene, _frame: Scene) -> None:
    """Take acknowledgements, and the numbers of frames."""
    routers = scene.known.routers
    mac, asked = scene.frame.mac, routers.asked
    if mac is None or scene.fcs_ok is False:
        return
    if mac.frame_type == FrameType.ACKNOWLEDGEMENT:
        if asked is not None and asked.sequence == scene.sequence and not scene.is_forged:
            routers.asked = None
            routers.take(asked)
        return
    router = None if mac.source is None else routers.get(mac.source)
    if router is not None and not scene.is_forged:
        router.count(scene.counter, scene.sequence, scene.time_s)


@FORWARDING.rule("datagrams-not-sent-on", HeardDatagram, varies=True)
def datagram_heard(scene: Scene, datagram: HeardDatagram) -> None:
    """Take a datagram that goes to a node, and that may be one which another sends on."""
    mac, upper, routers = scene.frame.mac, datagram.upper, scene.known.routers
    if mac is None or upper is None or upper.hidden or scene.is_fragment or scene.tunnelled:
        return
    router = None if datagram.link_source is None else routers.get(datagram.link_source)
    flow = None if router is None else router.flows.get(datagram.ends)
    if flow is not None and datagram.mark is not None:
        flow.send_on(datagram.mark, scene.number)
    routers.asked = None
    to = mac.destination
    if mac.ack_request and to is not None and to != BROADCAST:
        copied = scene.copied is not None
        routers.asked = Offered(to, datagram, scene.number, scene.sequence, copied)


@FORWARDING.at_end("datagrams-not-sent-on")
def datagrams_not_sent_on(known: Surroundings) -> Hits:
    """Tell of each router and flow."""
    for address, router in known.routers.items():
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


@FORWARDING.at_end("datagrams-sent-on-twice")
def datagrams_sent_on_twice(known: Surroundings) -> Hits:
    """Tell of each router and flow what came again under a new number, and went on again."""
    for address, router in known.routers.items():
        for (source, destination), flow in router.flows.items():
            if flow.twice < _SOME:
                continue
            name = link_text(address)
            cause = f"{name} sent {plural(flow.twice, 'datagram')} on twice, which came to it under two frame numbers"
            subject = f"{name}: {source} to {destination}"
            yield Hit(cause, (), subject, tuple(flow.twice_frames), times=flow.twice)
