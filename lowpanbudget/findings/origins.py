"""Whose a datagram is, and whether it answers another: what a node forwards or answers tells nothing of its rhythm."""

from math import inf

from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import IID_MASK, SHORT_IID, interface_identifier, link_of_identifier
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.passages import Passage
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import HeardSender, pan_of
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.nd.messages import RouterSolicitation
from lowpanbudget.layers.internet.rpl.messages import Dis

_ANSWER_S = 10.0  # within which a datagram that goes back is an answer; our choice

_NEVER = -inf, -inf


class Beginnings(Recent[tuple[int, int], tuple[float, float]]):
    """When one address last sent another a datagram that answers none, and any."""

    def begins(self, source: int, destination: int, time_s: float) -> bool:
        """Return whether a datagram answers none of those from its destination.

        Where the question was not heard an answer seems to ask; it stands nearer to what its receiver sent before it
        than to what he sends next.
        """
        ends = source, destination
        asked_s, _ = self.get((destination, source), _NEVER)
        begun_s, last_s = before = self.get(ends, _NEVER)
        answers = time_s - asked_s < _ANSWER_S and not 0 <= asked_s - last_s < time_s - asked_s
        now = (begun_s, time_s) if answers else (time_s, time_s)
        if before is _NEVER:
            self[ends] = now
        else:
            self.replace(ends, now)
        return not answers


def seeks(datagram: HeardDatagram) -> bool:
    """Return whether somebody looks for a router or a parent, which ends when one is found."""
    messages = (one.message for one in datagram.layers if isinstance(one, Icmpv6))
    return any(isinstance(message, RouterSolicitation | Dis) for message in messages)


def is_of_link(header: Ipv6, link: bytes | None) -> bool:
    """Return whether the source of a header is made of a link address."""
    return link is not None and int(header.source) & IID_MASK == interface_identifier(link)


def origin_of(scene: Scene, header: Ipv6) -> HeardSender | None:
    """Return what is noted of the node whose address a datagram has, where it is not known from an earlier hop.

    An address that is made of no link address heard may be one of its sender here, or come from outside through that,
    unless another was heard to send from it first. One made of a short address is another node's, of which nothing is
    noted: None.
    """
    mac, identifier = scene.frame.mac, int(header.source) & IID_MASK
    if mac is None or identifier == interface_identifier(mac.source):
        return scene.by
    is_short = identifier >> 16 == SHORT_IID >> 16
    link = link_of_identifier(identifier, 2 if is_short else 8)
    senders = scene.known.senders
    origin = None if link is None else senders.get((pan_of(mac), link))
    if origin is None and not is_short:
        station = senders.origins.get(int(header.source))
        return scene.by if station is None else senders.get(station)
    return origin


def learn_origin(scene: Scene, header: Ipv6, passage: Passage) -> None:
    """Note who sent a datagram on the first hop that was heard of it; a later sender of it is not where it is from."""
    mac, source, first = scene.frame.mac, int(header.source), passage.hops[0]
    # the same octets before the last ones went on: one with more hops left is another
    if mac is None or scene.tunnelled or first.hop_limit <= passage.now.hop_limit:
        return
    pan, origins = pan_of(mac), scene.known.senders.origins
    known = origins.get(source)
    if known is None or known == (pan, mac.source):
        origins[source] = pan, first.source
