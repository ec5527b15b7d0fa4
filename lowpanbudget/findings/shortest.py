"""Findings about headers that are longer than they need be."""

from collections import OrderedDict
from typing import Any

from lowpanbudget.cites import rfc
from lowpanbudget.env import interface_identifier
from lowpanbudget.errors import plural
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Known, Scene
from lowpanbudget.layers.lowpan import addresses
from lowpanbudget.layers.lowpan.addresses import Side
from lowpanbudget.layers.lowpan.iphc import HLIM, TF, Iphc
from lowpanbudget.layers.lowpan.nhc import PORTS, UdpNhc

_REMEMBERED = 4096


class HopLimitInLine(Rule):
    """A sender's own hop limit costs an octet.

    What it sees: five frames or more of a node whose source address is made of its own link address (so this is the
    first hop) with a hop limit other than 1, 64 or 255.
    Why it costs: one octet in every frame, first hop included.
    When it is no fault: on later hops the hop limit is in line always, and nothing is said. A limit chosen to keep
    packets near has its reason; one that a flow of the design has is planned, and nothing is said.
    Example: a node's own default: 0x0017 starts its datagrams with hop limit 16, in line.
    What to do: Use 64, or 255 for what must not be forwarded.
    """

    name = "hop-limit-in-line"
    severity = Severity.WASTE
    certainty = Certainty.FRAME
    cite = addresses.BASE
    reads = (Iphc,)
    least = 5

    def check(self, scene: Scene, thing: Iphc) -> Hits:
        """Look at hop limits in line on the first hop."""
        if (
            thing.rows["hlim"].code
            or scene.tunnelled
            or HLIM.best(thing.header.hop_limit).row.inline == 0
        ):
            return NONE
        limit = thing.header.hop_limit
        planned = () if self.known.design is None else self.known.design.flows
        if not from_its_source(scene, thing) or any(flow.hop_limit == limit for flow in planned):
            return NONE
        cause = f"{scene.sender} starts its datagrams with hop limit {limit}, in line"
        return (Hit(cause, (), scene.sender),)


def from_its_source(scene: Scene, header: Iphc) -> bool:
    """Return whether a frame is on the first hop: its IPv6 source is made of its link source."""
    link = scene.frame.link_source
    if link is None:
        return False
    return int(header.header.source) & ((1 << 64) - 1) == interface_identifier(link)


class HeaderNotShortest(Rule):
    """A compressed header is longer than it need be.

    What it sees: in a compressed IPv6 header, a form of traffic class, next header, hop limit or address that carries
    more octets than the shortest form for the same value, with no context but those that the same frame uses.
    Why it costs: the octets named, in every such frame; a datagram near the limit is cut for them.
    When it is no fault: a forwarder may pass headers on as they came: frames whose IPv6 source is not made of their
    link source are only a remark. What can be elided on this very hop alone is counted. Below three frames of a sender
    nothing is said.
    Example: the identifier made of the short address goes in line: 0x0017 could leave out 8 octets: source address 8.
    What to do: Let the compressor try the shorter forms first; annotate shows what each row needs.
    """

    name = "header-not-shortest"
    severity = Severity.WASTE
    certainty = Certainty.FRAME
    cite = addresses.BASE
    reads = (Iphc,)
    least = 3

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.best: OrderedDict[tuple[Any, ...], int] = OrderedDict()

    def check(self, scene: Scene, thing: Iphc) -> Hits:
        """Compare each row with the best for its value."""
        if scene.tunnelled:
            return NONE
        header, rows = thing.header, thing.rows
        saved = []
        if rows["tf"].inline:
            spare = (
                rows["tf"].inline - TF.best((header.traffic_class, header.flow_label)).row.inline
            )
            if spare:
                saved.append(("traffic class and flow label", spare))
        if rows["hlim"].inline and HLIM.best(header.hop_limit).row.inline == 0:
            saved.append(("hop limit", 1))
        if rows["cid"].inline and not any(thing.contexts):
            saved.append(("context octet", 1))
        if not thing.nhc and rows["nh"].inline and header.next_header == 17:
            saved.append(("next header UDP", 1))
        for index, side in enumerate(("source", "destination")):
            spare = rows[side].inline and self._spare(scene, thing, side, index)
            if spare:
                saved.append((f"{side} address", spare))
        if not saved:
            return NONE
        octets = sum(count for _, count in saved)
        fields = ", ".join(f"{name} {count}" for name, count in saved)
        cause = f"{scene.sender} could leave out {plural(octets, 'octet')}: {fields}"
        severity = None if from_its_source(scene, thing) else Severity.REMARK
        return (Hit(cause, (), f"{scene.sender}: {fields}", severity=severity),)

    def _spare(self, scene: Scene, thing: Iphc, side: str, index: int) -> int:
        """Return what the address carries beyond its shortest form in this frame."""
        frame = scene.frame
        link = (frame.link_source, frame.link_destination)[index]
        address = (thing.header.source, thing.header.destination)[index]
        used = thing.contexts[index]
        key = (side, int(address), link, used, thing.rows[side].code)
        known = self.best.get(key)
        if known is not None:
            return known
        choice = addresses.SOURCE if index == 0 else addresses.DESTINATION
        context = scene.contexts.get(used) if used is not None else None
        iid = interface_identifier(link)
        shortest = min(
            choice.best(address, Side(iid, one)).row.inline
            for one in dict.fromkeys((None, context))
        )
        spare = max(thing.rows[side].inline - shortest, 0)
        self.best[key] = spare
        if len(self.best) > _REMEMBERED:
            self.best.popitem(last=False)
        return spare


class PortsNotShortest(Rule):
    """UDP ports go in a longer form than they need.

    What it sees: three frames or more of a sender whose compressed UDP header carries ports in a form that is not the
    shortest for them.
    Why it costs: one to three octets in every frame.
    When it is no fault: never; but the 4-bit form wants *both* ports in 0xf0b0 to 0xf0bf: source 0xf000 with
    destination 0xf0b0 takes three octets, and nothing is said.
    Example: ports 0xf0b1 and 0xf0b2 take 4 octets, 1 would do: P = 00, P = 11 is shorter.
    What to do: Choose the form by both ports: 11 for 0xf0bX on both sides, 01 or 10 for 0xf0XX on one.
    """

    name = "ports-not-shortest"
    severity = Severity.WASTE
    certainty = Certainty.FRAME
    cite = rfc(6282, "4.3.1")
    reads = (UdpNhc,)
    least = 3

    def check(self, scene: Scene, thing: UdpNhc) -> Hits:
        """Compare the form with the best for these ports."""
        used = thing.rows["ports"]
        if used.inline == 1:
            return NONE
        source, destination = thing.source_port, thing.destination_port
        if source >> 8 != 0xF0 and destination >> 8 != 0xF0:
            return NONE
        best = PORTS.best((source, destination)).row
        if best.inline >= used.inline:
            return NONE
        cause = f"ports {source:#06x} and {destination:#06x} take {used.inline} octets, {best.inline} would do"
        return (
            Hit(
                cause,
                (f"P = {used.code:02b}, P = {best.code:02b} is shorter",),
                f"{scene.sender}: {cause}",
            ),
        )
