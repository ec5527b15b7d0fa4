"""Findings about a design, before anything is sent: every number comes from frames that were really encoded."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from ipaddress import IPv6Address
from typing import ClassVar

from lowpanbudget.bits import Writer
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.design.application import NONE, Application, Dtls, Oscore
from lowpanbudget.design.flow import FIRST, Flow
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import Path
from lowpanbudget.design.routing import Routing
from lowpanbudget.env import Env
from lowpanbudget.errors import LowpanError
from lowpanbudget.findings.finding import Certainty, Finding, Hit, Severity, ranked
from lowpanbudget.findings.rule import finding_of
from lowpanbudget.layers.internet import icmpv6, ipv6, nd
from lowpanbudget.layers.internet.coap_options import Option
from lowpanbudget.layers.internet.coap_registry import OBSERVE
from lowpanbudget.layers.internet.dtls_suites import SUITES, Suite
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.nd_lowpan import AuthoritativeBorderRouter, ContextOption
from lowpanbudget.layers.internet.nd_options import PrefixInformation, SourceLinkLayerAddress
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan import addresses, fragment
from lowpanbudget.layers.lowpan.fragment import UNIT
from lowpanbudget.layers.lowpan.iphc import HLIM
from lowpanbudget.payload.remarks import remarks
from lowpanbudget.room.compute import Budget
from lowpanbudget.room.fit import Fit
from lowpanbudget.room.measure import cliffs, frames_of, room_of
from lowpanbudget.stack.split import payloads

_ALL_NODES = IPv6Address("ff02::1")
_MANY = 4  # frames for one message from which its delivery deserves a second look; our choice
_BLOCKS = (1024, 512, 256, 128, 64, 32, 16)  # RFC 7959 section 2.2


@dataclass(frozen=True, slots=True)
class Plan:
    """A design with its budgets and fits, as the rules look at it."""

    design: Design
    budgets: tuple[Budget, ...]
    fits: tuple[Fit, ...]

    def path(self, fit: Fit) -> Path:
        """Return the path of a fit: its flow on its hop."""
        flow = self.design.flow(fit.flow)
        return next(path for path in self.design.paths(flow) if path.hop.name == fit.hop)

    def worst(self) -> Iterator[Fit]:
        """Yield, of each message on each flow, the hop with the least room."""
        seen: dict[tuple[str, str], Fit] = {}
        for one in self.fits:
            key = (one.message, one.flow)
            if key not in seen or one.spare < seen[key].spare:
                seen[key] = one
        yield from seen.values()


class DesignRule:
    """A rule about a design; its manual is its docstring, as every rule's."""

    name: ClassVar[str]
    severity: ClassVar[Severity]
    certainty: ClassVar[Certainty] = Certainty.PLAN
    cite: ClassVar[Cite]

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Yield what the plan proves."""
        raise NotImplementedError


def design_findings(
    design: Design, budgets: Iterable[Budget], fits: Iterable[Fit]
) -> list[Finding]:
    """Return what a design proves wrong, wasteful or risky, worst first.

    ``budgets`` and ``fits`` are those of ``budget(design)`` and ``fit(design)``, or those of a part of it.
    """
    plan = Plan(design, tuple(budgets), tuple(fits))
    return ranked([finding_of(rule, hit, 1) for rule in DESIGN_RULES for hit in rule.check(plan)])


def _octets(count: int) -> str:
    return "1 octet" if count == 1 else f"{count} octets"


def _where(fit: Fit) -> str:
    return f"message {fit.message} on flow {fit.flow}"


class MessageDoesNotFit(DesignRule):
    """A message takes more frames than its flow allows.

    What it sees: the greatest message, really encoded on the hop with the least room.
    Why it costs: it works on the desk, where the first hop is the only one, and not in the mesh; a cap somewhere drops
    it in silence, or fragments multiply losses.
    When it is no fault: a flow that may take fragments says so with most_frames.
    Example: 92 octets, and the room is 91: 127 less MAC header, security, check sequence and compressed headers.
    What to do: fit lists changes that together make it one frame; else shorten the message or raise most_frames.
    """

    name = "message-does-not-fit"
    severity = Severity.FAILURE
    cite = rfc(4944, "5.3")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Take the fits that say no, and tell where the octets of a frame go."""
        for one in plan.worst():
            if one.fits:
                continue
            takes = (
                "no datagram can be so large"
                if one.frames is None
                else f"{one.frames} frames, {one.most_frames} allowed"
            )
            cause = (
                f"{_octets(one.octets)}, {one.room} fit in one frame of the {one.hop} hop: {takes}"
            )
            yield Hit(cause, (_layers(plan.path(one)),), _where(one))


def _layers(path: Path) -> str:
    """Return where the octets of a full frame go, layer by layer."""
    encoded = path.frames(bytes(max(room_of(path), 0)))[0]
    bits: dict[str, int] = {}
    for span in encoded.spans:
        bits[span.layer] = bits.get(span.layer, 0) + span.bits
    return f"{path.link.largest} octets: " + ", ".join(
        f"{layer} {count / 8:g}" for layer, count in bits.items()
    )


class LaterHopDecides(DesignRule):
    """A message fits one frame on the first hop and not on later ones.

    What it sees: a message that is one frame on the first hop and more on a forwarded one, where identifiers and hop
    limit go in line.
    Why it costs: tests with one hop succeed; the first forwarder cuts the datagram, and losses begin there.
    When it is no fault: never, but a flow that allows fragments survives it.
    Example: 70 octets fit on the first hop (room 75), later hops have 58.
    What to do: Plan with the later hops' room; contexts of 128 bits or a hop limit of 255 do not help there.
    """

    name = "later-hop-decides"
    severity = Severity.RISK
    cite = rfc(6282, "3.1")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Compare the hops of each message."""
        first = {(one.message, one.flow): one for one in plan.fits if one.hop == FIRST}
        for one in plan.worst():
            start = first.get((one.message, one.flow))
            if start is None or one.hop == FIRST or start.spare < 0 or one.spare >= 0:
                continue
            cause = f"{_octets(one.octets)} fit the first hop ({start.room}) and not the {one.hop} one ({one.room})"
            yield Hit(cause, (), _where(one))


class FitsOnlyUnsecured(DesignRule):
    """A message would fit if security cost nothing.

    What it sees: a message larger than the room of the secured link and no larger than the room without security.
    Why it costs: an estimate that leaves out auxiliary header and integrity code says yes; a driver that takes the
    oversize frame loses it in silence, and the node blames its parent.
    When it is no fault: the plan knows it: the flow allows fragments. Then it is a remark.
    Example: sizes 76 to 85 on a link whose level 5 takes 10 octets.
    What to do: Keep the security; make the message smaller, or save octets elsewhere.
    """

    name = "fits-only-unsecured"
    severity = Severity.RISK
    cite = rfc(4944, "4")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Measure the room without security."""
        for one in plan.worst():
            path = plan.path(one)
            if path.link.security is None or one.spare >= 0:
                continue
            bare = room_of(replace(path, link=replace(path.link, security=None)))
            if one.octets > bare:
                continue
            cause = (
                f"{_octets(one.octets)}; the room is {one.room}, and {bare} only without security"
            )
            evidence = f"sizes {one.room + 1} to {bare} would pass an estimate that forgets it"
            yield Hit(
                cause, (evidence,), _where(one), severity=Severity.REMARK if one.fits else None
            )


class FragmentsPaySecurityEach(DesignRule):
    """Security counted once for a datagram gives too few fragments.

    What it sees: a message in fragments that takes fewer frames when the octets of security are counted once.
    Why it costs: queues and airtime are planned too small; every frame has its own header and code.
    When it is no fault: it is none of the network's: only a reminder of how many frames there really are.
    Example: 7 frames, 6 by an estimate per datagram.
    What to do: Use the number of frames that fit gives.
    """

    name = "fragments-pay-security-each"
    severity = Severity.REMARK
    cite = fragment.CITE

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Count fragments of an unsecured link with the security octets added to the message once."""
        for one in plan.worst():
            path = plan.path(one)
            if path.link.security is None or one.frames is None or one.frames < 2:
                continue
            bare = replace(path, link=replace(path.link, security=None))
            extra = bare.link_room - path.link_room
            once = frames_of(bare, one.octets + extra)
            if once is not None and once < one.frames:
                yield Hit(
                    f"{one.frames} frames, {once} by an estimate that counts security once",
                    (),
                    _where(one),
                )


class GroupMessageFragmented(DesignRule):
    """A message to a group goes in fragments.

    What it sees: a flow with a group address whose message takes more than one frame.
    Why it costs: broadcasts are not acknowledged: each fragment is sent once, and one lost loses the message there.
    When it is no fault: a message that is repeated until all have it.
    Example: 120 octets to ff03::fc over 12 hops.
    What to do: Make it one frame, or number parts in the application so that a later round fills the gaps.
    """

    name = "group-message-fragmented"
    severity = Severity.RISK
    cite = rfc(4944, "9")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Look at the flows to groups."""
        for one in plan.worst():
            if plan.design.flow(one.flow).group is not None and (one.frames or 2) > 1:
                yield Hit(f"{one.frames or 'too many'} frames to all neighbours", (), _where(one))


class RouteTooLong(DesignRule):
    """A source route is too long for its message.

    What it sees: a flow down a source route, whose message fits one frame only over fewer routers than its hops need.
    Why it costs: the route grows with depth: near nodes are reached, deep ones are not, or only in fragments, and
    headers that do not fit the first fragment may not be compressed at all.
    When it is no fault: the flow's hops are the worst case that no node has.
    Example: one frame over 5 routers at most, the flow has 12 hops.
    What to do: Shorten the message, use addresses that differ in 2 octets or less, store routes in the nodes.
    """

    name = "route-too-long"
    severity = Severity.RISK
    cite = rfc(6554, "3")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Compare the deepest route with the hops."""
        for one in plan.worst():
            flow = plan.design.flow(one.flow)
            if one.deepest is None or one.deepest >= flow.hops - 1:
                continue
            reach = "not even one router" if one.deepest < 1 else f"{one.deepest} routers"
            yield Hit(
                f"one frame reaches over {reach}, {flow.hops} hops need {flow.hops - 1}",
                (),
                _where(one),
            )


class MessageTakesManyFrames(DesignRule):
    """A message takes many frames.

    What it sees: more than 4 frames for one message.
    Why it costs: each needs a place in every queue on the way at once (8 is a common default); at a loss of 1 %
    a frame and hop, many frames over many hops rarely all arrive. Each sender that sends at once needs a buffer of its
    own at a receiver that puts fragments together.
    When it is no fault: rare transfers with time to repeat.
    Example: 12 frames over 12 hops: 144 transmissions must succeed.
    What to do: Send parts that each fit a frame and can be asked for again (RFC 7959, RFC 8931); give queues room.
    """

    name = "message-takes-many-frames"
    severity = Severity.REMARK
    cite = fragment.CITE

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Count frames and transmissions."""
        for one in plan.worst():
            if one.frames is None or one.frames <= _MANY:
                continue
            hops = plan.design.flow(one.flow).hops
            cause = f"{one.frames} frames need as many places in a queue at once, and {one.frames * hops} transmissions"
            yield Hit(cause, (f"{hops} hops",), _where(one))


class MessageJustOverACliff(DesignRule):
    """A few octets of a message cost a whole frame.

    What it sees: a message in fragments that would take a frame less if it were at most 8 octets smaller.
    Why it costs: one more frame with all its headers, for up to 8 octets.
    When it is no fault: a message that seldom reaches its greatest length.
    Example: 187 octets take 3 frames, 184 take 2.
    What to do: Find the octets in the message: encodings and fit show where they are.
    """

    name = "message-just-over-a-cliff"
    severity = Severity.REMARK
    cite = fragment.CITE

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Look for the cliff before the message."""
        for one in plan.worst():
            if one.frames is None or one.frames < 2:
                continue
            before = [
                octets
                for octets, count in cliffs(plan.path(one), one.room, one.frames)
                if count < one.frames
            ]
            if before and 0 < one.octets - before[-1] <= UNIT:
                cause = f"{_octets(one.octets)} take {one.frames} frames, {before[-1]} would take {one.frames - 1}"
                yield Hit(cause, (), _where(one))


class FirstFragmentWithoutSlack(DesignRule):
    """A first fragment has no room for headers that grow on the way.

    What it sees: a message in fragments whose first frame, on the first hop, leaves fewer octets than the headers grow
    by on later hops.
    Why it costs: a network that forwards fragments one by one (RFC 8930) cannot forward this one: it no longer fits.
    When it is no fault: networks that put datagrams together at each hop cut anew. Hence only a remark.
    Example: the first frame fills 126 of 127 octets, later headers are 9 longer.
    What to do: Leave slack in first fragments where fragments are forwarded.
    """

    name = "first-fragment-without-slack"
    severity = Severity.REMARK
    cite = rfc(8930, "5")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Compare the first hop's first fragment with the growth of empty frames."""
        for one in plan.fits:
            if one.hop != FIRST or one.frames is None or one.frames < 2:
                continue
            path = plan.path(one)
            later = [other for other in plan.design.paths(path.flow) if other.hop.name != FIRST]
            if not later:
                continue
            slack = path.link_room - path.lengths(one.octets)[0]
            growth = max(other.lengths(0)[0] for other in later) - path.lengths(0)[0]
            if growth > slack:
                yield Hit(f"{slack} octets of slack, headers grow by {growth}", (), _where(one))


class ContextServesNobody(DesignRule):
    """A context of the design cannot restore an address that lies under it.

    What it sees: a context that is neither 64 nor 128 bits long, with a station's address under it that has other bits
    than zero between the context's end and bit 64.
    Why it costs: those bits are restored as zero, so the address goes in line: 16 octets.
    When it is no fault: another, longer context serves the address.
    Example: context 1 is 2001:db8::/32, the office is 2001:db8:f00d:2::10.
    What to do: Use one context for each /64 that is in use.
    """

    name = "context-serves-nobody"
    severity = Severity.WASTE
    cite = addresses.BASE

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Look for addresses under short contexts that no other context serves."""
        design = plan.design
        for number, context in design.contexts.items():
            if context.prefix.prefixlen >= 64:
                continue
            for station in design.stations:
                address = station.ip(design.link.addresses)
                served = any(
                    address in other.prefix and other.prefix.prefixlen >= 64
                    for other in design.contexts.values()
                )
                if (
                    address in context.prefix
                    and int(address) >> 64 << 64 != context.value
                    and not served
                ):
                    cause = f"context {number} ({context.prefix}) does not restore {address}"
                    yield Hit(cause, (), f"station {station.name}")


class HopLimitCostsAnOctet(DesignRule):
    """A flow starts with a hop limit that goes in line.

    What it sees: a flow from inside the mesh whose hop limit is not 1, 64 or 255.
    Why it costs: one octet in every frame of the first hop; later hops pay it anyway.
    When it is no fault: a limit that keeps packets near on purpose.
    Example: hop_limit = 16.
    What to do: Use 64, or 255.
    """

    name = "hop-limit-costs-an-octet"
    severity = Severity.REMARK
    cite = addresses.BASE

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Look at each flow."""
        for flow in plan.design.flows:
            if flow.source.role != "outside" and HLIM.best(flow.hop_limit).row.inline:
                yield Hit(f"hop limit {flow.hop_limit}", (), f"flow {flow.name}")


class ObserveWillGrow(DesignRule):
    """An Observe option is planned shorter than it becomes.

    What it sees: a flow whose CoAP message has an Observe value of fewer than 3 octets, and a message that no longer
    fits its frames with 3.
    Why it costs: notifications work for weeks, and then become a frame longer.
    When it is no fault: a register request, whose Observe is 0 and stays so; a server that restarts its counter.
    Example: Observe 41 takes 1 octet; after 65535 notifications it takes 3.
    What to do: Plan with observe = 16777215.
    """

    name = "observe-will-grow"
    severity = Severity.RISK
    cite = rfc(7641, "3.4")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Encode with the greatest value."""
        for one in plan.worst():
            path = plan.path(one)
            message = path.flow.application.coap
            option = (
                None
                if message is None
                else next((o for o in message.options if o.number == OBSERVE), None)
            )
            if message is None or option is None or len(option.octets) > 2 or message.code < 64:
                continue
            others = tuple(o for o in message.options if o is not option)
            grown = replace(message, options=(*others, Option.of("Observe", (1 << 24) - 1)))
            longer = _with(path, replace(path.flow.application, coap=grown))
            count = frames_of(longer, one.octets)
            if one.frames is not None and (count is None or count > one.frames):
                cause = f"Observe grows from {len(option.octets)} to 3 octets: {count} frames instead of {one.frames}"
                yield Hit(cause, (), _where(one))


def _with(path: Path, application: Application) -> Path:
    return replace(path, flow=replace(path.flow, application=application))


class BlockSizeToUse(DesignRule):
    """A CoAP message needs blocks, or smaller ones.

    What it sees: a CoAP flow whose message takes more than one frame; the largest block size whose whole message still
    fits one, found by encoding with a Block option.
    Why it costs: the block size counts payload alone: 64-octet blocks with options, token and headers still fragment.
    When it is no fault: fragments are allowed and cheaper than round trips.
    Example: 300 octets: blocks of 32 octets fit, 64 do not.
    What to do: Set the size that is named; if none fits, shorten options and token first.
    """

    name = "block-size-to-use"
    severity = Severity.REMARK
    cite = rfc(7959, "2.2")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Try block sizes from the largest down."""
        for one in plan.worst():
            path = plan.path(one)
            message = path.flow.application.coap
            if message is None or one.spare >= 0:
                continue
            which = "Block1" if message.code < 32 else "Block2"
            rest = tuple(o for o in message.options if o.name not in {"Block1", "Block2"})
            best = None
            for size in _BLOCKS:
                value = 15 << 4 | 8 | (size.bit_length() - 5)
                blocked = replace(message, options=(*rest, Option.of(which, value)))
                try:
                    if (
                        frames_of(_with(path, replace(path.flow.application, coap=blocked)), size)
                        == 1
                    ):
                        best = size
                        break
                except LowpanError:
                    break
            cause = (
                "no block size fits one frame"
                if best is None
                else f"blocks of {best} octets fit one frame"
            )
            yield Hit(f"{_octets(one.octets)} do not fit one frame; {cause}", (), _where(one))


class ProtectionDoesNotFit(DesignRule):
    """A message fits as it is and would not with protection end to end.

    What it sees: a flow without DTLS and OSCORE whose message is one frame, and is more with OSCORE (identifiers of 1
    octet) or with DTLS 1.3 (8-octet tag), both really encoded.
    Why it costs: protection that is added late changes the number of frames, and is then left out.
    When it is no fault: link security on every hop and a border router that is trusted may be what is wanted.
    Example: 60 octets fit; with OSCORE 71 are needed and 68 fit.
    What to do: Leave room for it now; the difference is named.
    """

    name = "protection-does-not-fit"
    severity = Severity.REMARK
    cite = rfc(8613, "6")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Encode with stand-in keys."""
        for one in plan.worst():
            path = plan.path(one)
            now = path.flow.application
            if one.spare < 0 or now.oscore is not None or now.dtls is not None:
                continue
            told = []
            tries = [("DTLS 1.3", replace(now, dtls=Dtls(_suite(), sequence=255)))]
            if now.coap is not None:
                tries.insert(
                    0, ("OSCORE", replace(now, oscore=Oscore(b"\x01", b"\x02", sequence=255)))
                )
            for name, protected in tries:
                room = room_of(_with(path, protected))
                if one.octets > room:
                    told.append(f"with {name} the room is {room}")
            if told:
                yield Hit(
                    f"{_octets(one.octets)} fit {one.room}; {' and '.join(told)}", (), _where(one)
                )


def _suite() -> Suite:
    return next(s for s in SUITES.values() if s.version == "1.3" and s.aead.tag == 8)


class HandshakeTakesManyFrames(DesignRule):
    """A handshake takes many frames over many hops.

    What it sees: a flow with DTLS: flights of a handshake with raw public keys have up to 454 octets (a figure of an
    IETF comparison of security protocols); how many frames that is on the hop with the least room.
    Why it costs: all must arrive within a retransmission time-out, over every hop, or the flight is sent again.
    When it is no fault: sessions that are resumed, or keys that are shared in advance, need smaller flights.
    Example: 454 octets in 7 frames over 12 hops: 84 transmissions.
    What to do: Use pre-shared keys, connection IDs that keep sessions, fragments of the handshake at the record layer.
    """

    name = "handshake-takes-many-frames"
    severity = Severity.REMARK
    cite = rfc(9147, "5.5")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Count the frames of a flight."""
        for flow in plan.design.flows:
            if flow.application.dtls is None:
                continue
            path = plan.design.paths(replace(flow, application=NONE))[-1]
            count = frames_of(path, 454)
            if count is not None and count > _MANY:
                cause = f"a flight of 454 octets takes {count} frames, {count * flow.hops} transmissions"
                yield Hit(cause, (f"{flow.hops} hops",), f"flow {flow.name}")


class AdvertisementDoesNotFit(DesignRule):
    """A router advertisement with all that the design needs does not fit one frame.

    What it sees: an advertisement with the design's contexts, prefix information, border router and link-layer address
    options, really encoded for this link, to all neighbours.
    Why it costs: joining depends on it, and to a group nothing is sent again.
    When it is no fault: nodes that are configured and need no advertisement; contexts sent in several.
    Example: 16 + 32 + 2 x 16 + 24 + 16 octets behind the compressed header.
    What to do: Send contexts in an advertisement of their own; answer solicitations by unicast.
    """

    name = "advertisement-does-not-fit"
    severity = Severity.REMARK
    cite = rfc(6775, "5.4")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Build the advertisement and cut it."""
        design = plan.design
        router = next(
            (s for role in ("border", "collector") for s in design.stations if s.role == role), None
        )
        if router is None or not design.contexts:
            return
        form = design.link.addresses
        link = router.link_address(form)
        source = replace(
            router, address=None, prefix=addresses.LINK_LOCAL.value, identifier="link"
        ).ip(form)
        address = router.ip(form)
        options: tuple[object, ...] = (
            PrefixInformation(64, IPv6Address(int(address) >> 64 << 64), autonomous=True),
            *(
                ContextOption(n, c.prefix, 60)
                for n, c in design.contexts.items()
                if c.prefix.prefixlen
            ),
            AuthoritativeBorderRouter(1, address),
            SourceLinkLayerAddress(link),
        )
        writer = Writer()
        icmpv6.encode(writer, nd.RouterAdvertisement(64, 1800, options=options), source, _ALL_NODES)
        body = bytes(writer.data)
        packet = bytes(Ipv6(0, 0, len(body), ipv6.ICMPV6, 255, source, _ALL_NODES)) + body
        room = design.link.room(link, BROADCAST)
        try:
            count = len(payloads(packet, Env(link, BROADCAST, contexts=design.contexts), room=room))
        except LowpanError:
            return
        if count > 1:
            sizes = f"{len(body)} octets of ICMPv6, {room} behind the MAC header"
            yield Hit(
                f"an advertisement with {len(options)} options takes {count} frames",
                (sizes,),
                "the link",
            )


class TunnelCostsOctets(DesignRule):
    """A flow pays for an outer header.

    What it sees: a flow whose routing has a tunnel; its room with it and without.
    Why it costs: the octets named, in every frame of this flow alone.
    When it is no fault: artefacts of the routing must not leave the network, and the sender is outside: then a tunnel
    it must be.
    Example: 8 octets of room for traffic from outside.
    What to do: Plan flows that cross the border apart; see RFC 9008 for which of them need a tunnel.
    """

    name = "tunnel-costs-octets"
    severity = Severity.REMARK
    cite = rfc(9008, "7")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Measure both."""
        for flow in plan.design.flows:
            if not flow.routing.tunnel:
                continue
            yield from _difference(
                plan, flow, replace(flow.routing, tunnel=False), "without the tunnel"
            )


class RoutingAsExtensionHeaders(DesignRule):
    """RPL artefacts go as extension headers.

    What it sees: a flow whose routing has the form of extension headers; its room with them and with 6LoRH headers.
    Why it costs: the octets named, in every frame.
    When it is no fault: nodes that do not read page 1.
    Example: 5 octets of room for the RPL option alone, more for each router of a source route.
    What to do: Set form = "6lorh" if all nodes understand it.
    """

    name = "routing-as-extension-headers"
    severity = Severity.REMARK
    cite = rfc(8138, "4")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Measure both."""
        for flow in plan.design.flows:
            if (flow.routing.rpi or flow.routing.route) and not flow.routing.compressed:
                yield from _difference(
                    plan, flow, replace(flow.routing, compressed=True), "as 6LoRH headers"
                )


def _difference(plan: Plan, flow: Flow, routing: Routing, text: str) -> Iterator[Hit]:
    path = plan.design.paths(flow)[-1]
    other = replace(path, flow=replace(flow, routing=routing))
    gain = room_of(other) - room_of(path)
    if gain > 0:
        yield Hit(
            f"room {room_of(path)}, {room_of(other)} {text}",
            (f"{_octets(gain)} a frame",),
            f"flow {flow.name}",
        )


class MessageDeservesALook(DesignRule):
    """A message format leaves something out that is missed later.

    What it sees: several samples without sequence number or time, a format without version, units that are unusual.
    Why it costs: a lost message shifts all later samples in time, unseen; receivers cannot tell formats apart.
    When it is no fault: the port or path says the version; time comes from elsewhere.
    Example: 64 samples and nothing that numbers them.
    What to do: Add the field that is named.
    """

    name = "message-deserves-a-look"
    severity = Severity.REMARK
    cite = rfc(8428, "4")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Take the remarks about each message; what loses the time of samples is a risk."""
        for message in plan.design.messages:
            for remark in remarks(message):
                where = f"message {message.name}" + (f", {remark.path}" if remark.path else "")
                lost = "samples" in remark.text and "neither" in remark.text
                yield Hit(
                    remark.text,
                    (),
                    where,
                    severity=Severity.RISK if lost else None,
                    advice=remark.hint,
                )


DESIGN_RULES: Sequence[type[DesignRule]] = (
    MessageDoesNotFit,
    LaterHopDecides,
    FitsOnlyUnsecured,
    GroupMessageFragmented,
    RouteTooLong,
    ObserveWillGrow,
    ContextServesNobody,
    FragmentsPaySecurityEach,
    MessageTakesManyFrames,
    MessageJustOverACliff,
    FirstFragmentWithoutSlack,
    HopLimitCostsAnOctet,
    BlockSizeToUse,
    ProtectionDoesNotFit,
    HandshakeTakesManyFrames,
    AdvertisementDoesNotFit,
    TunnelCostsOctets,
    RoutingAsExtensionHeaders,
    MessageDeservesALook,
)
