"""Routers that take datagrams and do not send them on, or twice."""

from collections import Counter
from collections.abc import Iterable
from ipaddress import IPv6Address

from lowpanbudget.cites import rfc
from lowpanbudget.env import IID_MASK, interface_identifier, link_text
from lowpanbudget.errors import plural
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.heard_headers import Ends
from lowpanbudget.findings.routers import Offered, OfferedPart, RoutedFlow, Router, SentOn
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.rpl.messages import LOCAL
from lowpanbudget.layers.link.mac import BROADCAST, FrameType, Mac
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.mesh import Mesh
from lowpanbudget.stack.pieces import FragmentArrival

FORWARDING = Subject("forwarding")
_SOME = 3  # datagrams that were not sent on, or twice; our choice
_ERRORS = 128  # below which types of ICMPv6 are errors (RFC 4443 section 2.1)


@FORWARDING.rule("datagrams-not-sent-on", Scene, varies=True)
def frame_heard(scene: Scene, _frame: Scene) -> None:
    """Take acknowledgements, and the numbers of frames."""
    routers, frame = scene.known.routers, scene.frame
    mac = frame.mac
    if mac is None or scene.fcs_ok is False:
        return
    if mac.frame_type == FrameType.ACKNOWLEDGEMENT:
        asked = routers.asked
        if (
            routers.part is not None
            and routers.part.sequence == scene.sequence
            and not scene.is_forged
        ):
            routers.answer_part()
        if asked is not None and asked.sequence == scene.sequence and not scene.is_forged:
            routers.asked = None
            routers.take(asked)
        return
    routers.part = None
    router = None if mac.source is None else routers.get(mac.source)
    if router is not None and not scene.is_forged:
        router.count(scene.counter, scene.sequence, scene.time_s)
        if scene.payload is None or frame.fault is not None:
            _pass_unread(router, mac)
        if frame.fragment is not None and not isinstance(frame.fragment, Fragment):
            router.forget()


@FORWARDING.rule("datagrams-not-sent-on", FragmentArrival, varies=True)
def fragment_heard(scene: Scene, arrival: FragmentArrival) -> None:
    """Take a fragment that a node is offered, and one that a router sends."""
    mac, routers, key = scene.frame.mac, scene.known.routers, arrival.datagram.key
    if mac is None or scene.fcs_ok is False or scene.is_forged:
        return
    if mac.ack_request and mac.destination not in (None, BROADCAST):
        routers.asked = None
        routers.offer(OfferedPart(key, arrival.fragment.start, scene.sequence))
    router = None if mac.source is None else routers.get(mac.source)
    if router is not None and not arrival.repeated:
        router.begin(key, scene.time_s)


@FORWARDING.rule("datagrams-not-sent-on", Iphc, varies=True, concerns=concerns.part)
def first_fragment_heard(scene: Scene, packed: Iphc) -> None:
    """Note a datagram in fragments that comes to a router, or that a router sends, by the first of them."""
    mac, part, header = scene.frame.mac, scene.frame.fragment, packed.header
    if mac is None or not isinstance(part, Fragment) or scene.is_forged or header.hop_limit <= 1:
        return
    if scene.tunnelled or mac.source is None or scene.find(Mesh) is not None:
        return
    ends, routers = (int(header.source), int(header.destination)), scene.known.routers
    sender = routers.get(mac.source)
    taker = None if mac.destination is None else routers.get(mac.destination)
    if sender is not None:
        sender.parts.go(ends, part.size)
    if taker is not None and ends[1] & IID_MASK != interface_identifier(mac.destination):
        taker.parts.come(ends, part.size, scene.number)


def _pass_unread(router: Router, mac: Mac) -> None:
    """Take a frame that nobody here can open, or whose addresses nobody can expand: it may bring whatever waits."""
    if mac.frame_type == FrameType.DATA and mac.destination != BROADCAST:
        router.forget()


@FORWARDING.rule("datagrams-not-sent-on", HeardDatagram, varies=True)
def datagram_heard(scene: Scene, datagram: HeardDatagram) -> None:
    """Take a datagram that goes to a node, and that may be one which another sends on."""
    mac, headers, routers = scene.frame.mac, datagram.headers, scene.known.routers
    upper = headers.upper
    if mac is None or upper is None or upper.hidden:
        return
    # who sends it on this link: in a mesh below IPv6 that is not the originator (RFC 4944 section 11)
    router = None if mac.source is None else routers.get(mac.source)
    part = scene.frame.fragment
    if router is not None:
        if scene.fragmented is not None:
            router.begun.pop(scene.fragmented.key, None)
        router.send_on(datagram, scene.number)
        _send_on_again(router, scene, datagram)
        if part is None and router.parts.flows:
            router.parts.go(datagram.ends, len(datagram.octets))
        kind = datagram.octets[upper.offset : upper.offset + 1]  # a datagram may end before it
        if upper.kind == ipv6.ICMPV6 and kind and kind[0] < _ERRORS:
            router.forget()  # it says itself what it cannot send on
    routers.asked = None
    if headers.header.hop_limit <= 1:
        return
    if part is not None and not routers.others_answered(datagram):
        return
    mesh = scene.find(Mesh)
    if mesh is not None and (part is not None or mesh.is_last_hop):
        return  # fragments go on one by one, and are put together at the far end alone (RFC 4944 section 5.3)
    if scene.tunnelled and datagram.outer.hop_limit <= 1:
        return
    if datagram.is_sum_wrong:
        return  # the router may restore something else
    to, mark = mac.destination, datagram.mark
    taker = None if to is None else routers.get(to)
    if taker is not None and mark is not None:
        taker.on.pop(mark, None)  # it comes again
    if mac.ack_request and to is not None and to != BROADCAST:
        copied = scene.sighting.copied is not None and part is None
        # a mesh header names the end, which need not have been heard; of another length it may be the receiver's own
        goes_on = mesh is not None and mesh.final != to and len(mesh.final) == len(to)
        routers.asked = Offered(
            to, datagram, scene.number, scene.sequence, copied, mac.source, goes_on
        )


def _send_on_again(router: Router, scene: Scene, datagram: HeardDatagram) -> None:
    """Note what a node sends of another's, which it has no reason of its own to say again."""
    mac, mark, passage = scene.frame.mac, datagram.mark, scene.passage
    if mac is None or mark is None or scene.is_fragment:
        return
    # what it says again is no step on its way
    if mark not in router.on if passage is None else passage.in_mesh:
        return
    sent = SentOn(mac.destination, datagram.outer.hop_limit, scene.number, scene.time_s)
    router.send_again(mark, sent)


@FORWARDING.at_end("datagrams-not-sent-on")
def datagrams_not_sent_on(known: Surroundings) -> Hits:
    """Tell of each router, by the flows that it sends on at other times, or is not the end of."""
    for address, router in known.routers.items():
        router.hold()
        flows = {
            ends: flow
            for ends, flow in router.flows.items()
            if flow.lost and (flow.sent or flow.goes_on or _is_of_another(known, address, ends))
        }
        lost = sum(flow.lost for flow in flows.values())
        if lost < _SOME:
            yield from _parts_not_sent_on(known, address, router)
            continue
        name, taken = link_text(address), sum(flow.taken for flow in flows.values())
        cause = (
            f"{name} acknowledged {plural(taken, 'datagram')} and never sent {lost} of them on: its frame numbers "
            "leave no place for them"
        )
        evidence = [
            f"{_ends_text(ends)}: {flow.lost} of {flow.taken}"
            + (f", {len(flow.waiting)} more in its last minute" if flow.waiting else "")
            for ends, flow in flows.items()
        ]
        astray = _unannounced(known, flows.values())
        told = [
            f"{count} of them go in RPL instance {instance}, which no DIO announces"
            for instance, count in astray.items()
        ]
        frames = sorted(number for flow in flows.values() for number in flow.frames)
        hit = Hit(cause, (*told, *evidence), name, tuple(frames), times=lost)
        if astray.total() == lost:
            hit = hit._replace(advice=_ANNOUNCE, cite=rfc(6550, "11.2.2.1"))
        yield hit


def _parts_not_sent_on(known: Surroundings, address: bytes, router: Router) -> Hits:
    """Tell of a router that sends fewer on in fragments than come, where the capture misses too much to know which."""
    parts = router.parts
    flows = {
        ends: flow
        for ends, flow in parts.flows.items()
        if (ends in router.flows and router.flows[ends].sent)
        or flow.went
        or _is_of_another(known, address, ends)
    }
    to_it = [hop for (_, to), hop in known.losses.hops.items() if to == address]
    whole = sum(hop.whole + hop.unheard for hop in to_it)  # of the others it never had all
    came = min(sum(one.came for one in flows.values()), whole)
    went = sum(one.went for one in flows.values())
    if came - went < _SOME or not parts.lacks(came, went):
        return
    name = link_text(address)
    cause = (
        f"of {came} datagrams in fragments that came to {name} {went} were heard going on, fewer than what is "
        "missed here explains"
    )
    missed = f"of its frames {parts.most_missed:.0%} or less are missed here, by its frame numbers"
    evidence = [f"{_ends_text(ends)}: {one.went} of {one.came}" for ends, one in flows.items()]
    frames = sorted(number for one in flows.values() for number in one.frames)
    yield Hit(cause, (missed, *evidence), name, tuple(frames), times=came - went)


_ANNOUNCE = (
    "Let the sender put the RPLInstanceID into its datagrams that the DIOs of its network announce: a router has no "
    "other DODAG to send them along, and is to tell by an ICMPv6 error that it discards them."
)


def _unannounced(known: Surroundings, flows: Iterable[RoutedFlow]) -> Counter[int]:
    """Return how many of the datagrams that were not sent on are in a global RPL instance that no DIO announces.

    Of a local one only those along its way need to hear; and where no DIO was heard nobody knows any.
    """
    announced = {instance for instance, _ in known.ranks}
    lost = sum((flow.instances for flow in flows), Counter[int]())
    if not announced:
        return Counter()
    return Counter(
        {one: count for one, count in lost.items() if one not in announced and one < LOCAL}
    )


def _is_of_another(known: Surroundings, router: bytes, ends: Ends) -> bool:
    """Return whether the receiver is another node that was heard, under the same prefix: of such an address as his."""
    source, destination = ends
    if source >> 64 != destination >> 64:
        return False  # what leaves the network may go by another link
    heard = (link for _, link in known.senders if len(link) == len(router) and link != router)
    return destination & IID_MASK in map(interface_identifier, heard)


def _ends_text(ends: Ends) -> str:
    source, destination = map(IPv6Address, ends)
    return f"{source} to {destination}"


@FORWARDING.at_end("datagrams-sent-on-twice")
def datagrams_sent_on_twice(known: Surroundings) -> Hits:
    """Tell of each router and flow what came again under a new number, and went on again."""
    for address, router in known.routers.items():
        for ends, flow in router.flows.items():
            if flow.twice < _SOME:
                continue
            name = link_text(address)
            cause = f"{name} sent {plural(flow.twice, 'datagram')} on twice, which came to it under two frame numbers"
            subject = f"{name}: {_ends_text(ends)}"
            yield Hit(cause, (), subject, tuple(flow.twice_frames), times=flow.twice)


@FORWARDING.at_end("datagrams-sent-on-again")
def datagrams_sent_on_again(known: Surroundings) -> Hits:
    """Tell of each router what it sent on once more though it was acknowledged."""
    for address, router in known.routers.items():
        if router.again < _SOME:
            continue
        name = link_text(address)
        cause = f"{name} sent {plural(router.again, 'datagram')} on again under a new number, which were acknowledged"
        yield Hit(cause, (), name, tuple(router.again_frames), times=router.again)
