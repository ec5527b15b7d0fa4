"""Routers that take datagrams and do not send them on, or twice."""

from lowpanbudget.capture.follow.flows import mark_of
from lowpanbudget.env import link_text
from lowpanbudget.errors import plural
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.routers import Ends, Offered
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene, Surroundings
from lowpanbudget.layers.link.mac import BROADCAST, FrameType, Mac

FORWARDING = Subject("forwarding")
_SOME = 3  # datagrams that were not sent on, or twice; our choice


@FORWARDING.rule("datagrams-not-sent-on", Scene, varies=True)
def frame_heard(scene: Scene, _frame: Scene) -> None:
    """Take acknowledgements, and the numbers of frames."""
    routers = scene.known.routers
    mac, asked = scene.mac, routers.asked
    if mac is None or scene.fcs_ok is False or scene.is_forged:
        return
    if mac.frame_type == FrameType.ACKNOWLEDGEMENT:
        if asked is not None and asked.sequence == scene.sequence:
            routers.asked = None
            routers.take(asked)
        return
    router = None if mac.source is None else routers.get(mac.source)
    if router is not None:
        router.count(scene.counter, scene.sequence, scene.time_s)


@FORWARDING.rule("datagrams-not-sent-on", HeardDatagram, varies=True)
def datagram_heard(scene: Scene, datagram: HeardDatagram) -> None:
    """Take a datagram that goes to a node, and that may be one which another sends on."""
    mac, upper, routers = scene.mac, datagram.upper, scene.known.routers
    if mac is None or upper is None or upper.hidden or scene.is_fragment or scene.tunnelled:
        return
    header = datagram.header
    ends = header.source, header.destination
    mark = mark_of(header.source, datagram.octets, upper)
    router = None if datagram.link_source is None else routers.get(datagram.link_source)
    flow = None if router is None else router.flows.get(ends)
    if flow is not None:
        flow.send_on(mark, scene.number)
    routers.asked = _asked(mac, scene, ends, mark)


def _asked(mac: Mac, scene: Scene, ends: Ends, mark: int) -> Offered | None:
    if not mac.ack_request or mac.destination in {None, BROADCAST}:
        return None
    assert mac.destination is not None
    copied = scene.copied is not None
    return Offered(mac.destination, ends, mark, scene.number, scene.sequence, copied)


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
