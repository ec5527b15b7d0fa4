"""Findings about a design: messages in frames."""

from collections.abc import Iterator
from dataclasses import replace

from lowpanbudget.cites import ieee, rfc
from lowpanbudget.design.flow import FIRST
from lowpanbudget.design.path import Path
from lowpanbudget.errors import plural
from lowpanbudget.findings.design_rule import MANY, DesignRule, Plan, about, octets_text, room_text
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.layers.lowpan import fragment
from lowpanbudget.layers.lowpan.fragment import UNIT
from lowpanbudget.room.measure import cliffs, frames_of, room_of


class MessageDoesNotFit(DesignRule):
    """A message takes more frames than its flow allows.

    What it sees: the greatest message, really encoded on the hop with the least room.
    Why it costs: it works on the desk, where the first hop is the only one, and not in the mesh; a cap somewhere drops
    it in silence, or fragments multiply losses.
    When it is no fault: a flow that may take fragments says so with most_frames.
    Example: 106 octets, 105 fit in one frame of the forwarded hop: 2 frames, 1 allowed.
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
            fits = (
                f"{one.room} fit in one frame of the {one.hop} hop"
                if one.room >= 0
                else f"and on the {one.hop} hop {room_text(one.room)}"
            )
            cause = f"{octets_text(one.octets)}, {fits}: {takes}"
            yield Hit(cause, (_layers(plan.path(one)),), about(one))


def _layers(path: Path) -> str:
    """Return where the octets of a full frame go, layer by layer; of one too long where headers alone are over."""
    room = room_of(path)
    encoded = path.unlimited(b"") if room < 0 else path.frames(bytes(room))[0]
    bits: dict[str, int] = {}
    for span in encoded.spans:
        bits[span.layer] = bits.get(span.layer, 0) + span.bits
    return f"{len(encoded.octets)} octets: " + ", ".join(
        f"{layer} {count / 8:g}" for layer, count in bits.items()
    )


class LaterHopDecides(DesignRule):
    """A message fits one frame on the first hop and not on later ones.

    What it sees: a message that is one frame on the first hop and more on a forwarded one, where identifiers and hop
    limit go in line.
    Why it costs: tests with one hop succeed; the first forwarder cuts the datagram, and losses begin there.
    When it is no fault: never, but a flow that allows fragments survives it.
    Example: 106 octets fit the first hop (108) and not the forwarded one (105).
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
            cause = f"{octets_text(one.octets)} fit the first hop ({start.room}) and not the {one.hop} one ({one.room})"
            yield Hit(cause, (), about(one))


class FitsOnlyUnsecured(DesignRule):
    """A message would fit if security cost nothing.

    What it sees: a message larger than the room of the secured link and no larger than the room without security.
    Why it costs: an estimate that leaves out auxiliary header and integrity code says yes; a driver that takes the
    oversize frame loses it in silence, and the node blames its parent.
    When it is no fault: the plan knows it: the flow allows fragments. Then it is a remark.
    Example: 96 octets; the room is 95, and 105 only without security.
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
            cause = f"{octets_text(one.octets)}; {room_text(one.room)}, and {bare} only without security"
            evidence = (
                f"sizes {max(one.room + 1, 0)} to {bare} would pass an estimate that forgets it"
            )
            yield Hit(
                cause, (evidence,), about(one), severity=Severity.REMARK if one.fits else None
            )


class FragmentsPaySecurityEach(DesignRule):
    """Security counted once for a datagram gives too few fragments.

    What it sees: a message in fragments that takes fewer frames when the octets of security are counted once.
    Why it costs: queues and airtime are planned too small; every frame has its own header and code.
    When it is no fault: it is none of the network's: only a reminder of how many frames there really are.
    Example: 10 frames, 9 by an estimate that counts security once.
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
                    about(one),
                )


class GroupMessageFragmented(DesignRule):
    """A message to a group goes in fragments.

    What it sees: a flow with a group address whose message takes more than one frame.
    Why it costs: broadcasts are not acknowledged: each fragment is sent once, and one lost loses the message there.
    When it is no fault: a message that is repeated until all have it.
    Example: 2 frames to all neighbours, and again on each hop.
    What to do: Make it one frame, or number parts in the application so that a later round fills the gaps.
    """

    name = "group-message-fragmented"
    severity = Severity.RISK
    cite = ieee(2006, "7.5.6.4")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Look at the flows to groups."""
        for one in plan.worst():
            if plan.design.flow(one.flow).group is not None and (one.frames or 2) > 1:
                yield Hit(f"{one.frames or 'too many'} frames to all neighbours", (), about(one))


class RouteTooLong(DesignRule):
    """A source route is too long for its message.

    What it sees: a flow down a source route, whose message fits one frame only over fewer routers than its hops need.
    Why it costs: the route grows with depth: near nodes are reached, deep ones are not, or only in fragments, and
    headers that do not fit the first fragment may not be compressed at all.
    When it is no fault: the flow's hops are the worst case that no node has.
    Example: one frame reaches over 5 routers, 9 hops need 8.
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
            reach = (
                "does not reach over a single router"
                if one.deepest < 1
                else f"reaches over {plural(one.deepest, 'router')}"
            )
            yield Hit(
                f"one frame {reach}, {flow.hops} hops need {flow.hops - 1}",
                (),
                about(one),
            )


class MessageTakesManyFrames(DesignRule):
    """A message takes many frames.

    What it sees: more than 4 frames for one message.
    Why it costs: each needs a place in every queue on the way at once (8 is a common default); at a loss of 1 %
    a frame and hop, many frames over many hops rarely all arrive. Each sender that sends at once needs a buffer of its
    own at a receiver that puts fragments together.
    When it is no fault: rare transfers with time to repeat.
    Example: 6 frames need as many places in a queue at once, and 18 transmissions must succeed over 3 hops.
    What to do: Send parts that each fit a frame and can be asked for again (RFC 7959, RFC 8931); give queues room.
    """

    name = "message-takes-many-frames"
    severity = Severity.REMARK
    cite = fragment.CITE

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Count frames and transmissions."""
        for one in plan.worst():
            if one.frames is None or one.frames <= MANY:
                continue
            hops = plan.design.flow(one.flow).hops
            cause = f"{one.frames} frames need as many places in a queue at once, and {one.frames * hops} transmissions"
            yield Hit(cause, (f"{hops} hops",), about(one))


class MessageJustOverACliff(DesignRule):
    """A few octets of a message cost a whole frame.

    What it sees: a message in fragments that would take a frame less if it were at most 8 octets smaller.
    Why it costs: one more frame with all its headers, for up to 8 octets.
    When it is no fault: a message that seldom reaches its greatest length.
    Example: 110 octets take 2 frames, 105 would take 1.
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
                cause = f"{octets_text(one.octets)} take {one.frames} frames, {before[-1]} would take {one.frames - 1}"
                yield Hit(cause, (), about(one))


class FirstFragmentWithoutSlack(DesignRule):
    """A first fragment has no room for headers that grow on the way.

    What it sees: a message in fragments whose first frame, on the first hop, leaves fewer octets than the headers grow
    by on later hops.
    Why it costs: where fragments are forwarded one by one (RFC 8930, RFC 8931) this one no longer fits.
    When it is no fault: networks that put datagrams together at each hop cut anew. Hence only a remark.
    Example: 0 octets of slack, headers grow by 3 behind the first hop.
    What to do: Leave slack in first fragments where fragments are forwarded.
    """

    name = "first-fragment-without-slack"
    severity = Severity.REMARK
    cite = rfc(8931, "4.1")

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
                yield Hit(
                    f"{octets_text(slack)} of slack, headers grow by {growth}", (), about(one)
                )
