"""Messages of a design in frames: every number comes from frames that were really encoded."""

from dataclasses import replace
from functools import lru_cache

from lowpanbudget.cites import Cite, rfc
from lowpanbudget.design.flow import FIRST
from lowpanbudget.design.path import FlowPath
from lowpanbudget.errors import plural
from lowpanbudget.findings.draft import MANY, Draft, message_of
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.wording import octets_text, room_text
from lowpanbudget.layers.labels import label_of
from lowpanbudget.layers.lowpan.fragment import UNIT
from lowpanbudget.room.fit import Fit
from lowpanbudget.room.measure import cliffs, frames_of, room_of

FRAMES = Subject("frames")


@FRAMES.rule("message-does-not-fit", Fit)
def message_does_not_fit(draft: Draft, fit: Fit) -> Hits:
    """Take the fits that need more frames than there may be, and tell where the octets of a frame go."""
    if fit.frames is not None and fit.frames <= fit.most_frames:
        return
    takes = f"its datagram would have {octets_text(fit.datagram)}, the MTU is {fit.mtu}"
    advice, cite = _WITHIN_MTU
    if fit.frames is not None:
        advice, cite = "", None
        takes = f"{fit.frames} frames, {fit.most_frames} allowed"
    room = f"{fit.room} fit in one frame of the {fit.hop} hop"
    if fit.room < 0:
        room = f"and on the {fit.hop} hop {room_text(fit.room)}"
    if fit.in_slot is not None:
        takes += f"; a slot has time for frames of {octets_text(fit.in_slot)}"
        advice = advice or _WITHIN_SLOT
    cause = f"{octets_text(fit.octets)}, {room}: {takes}"
    yield Hit(cause, (_layers(draft.path(fit)),), message_of(fit), advice=advice, cite=cite)


_WITHIN_SLOT = (
    "Use a template with a longer slot, shorten the message, or raise most_frames; `lowpanbudget fit` lists "
    "changes that together make it one frame, where there are some."
)
_WITHIN_MTU: tuple[str, Cite | None] = (
    "Shorten the message or send it in blocks; or raise network.mtu, where every link on the way carries more.",
    rfc(4944, "4"),
)


@lru_cache(maxsize=64)  # of a hop the full frame is one for all its messages
def _layers(path: FlowPath) -> str:
    """Return where the octets of a full frame go, layer by layer; of one too long where headers alone are over."""
    room = room_of(path)
    encoded = path.unlimited(b"") if room < 0 else path.frames(bytes(room))[0]
    bits: dict[str, int] = {}
    for span in encoded.spans:
        bits[span.layer] = bits.get(span.layer, 0) + span.bits
    layers = ", ".join(f"{label_of(layer)} {count / 8:g}" for layer, count in bits.items())
    return f"{len(encoded.octets)} octets: {layers}"


@FRAMES.rule("later-hop-decides", Fit)
def later_hop_decides(draft: Draft, fit: Fit) -> Hits:
    """Compare the worst hop of each message with the first."""
    first = draft.first_hop(fit)
    if first is not None and fit.hop != FIRST and fit.spare < 0 <= first.spare:
        rooms = f"the first hop ({first.room}) and not the {fit.hop} one ({fit.room})"
        yield Hit(f"{octets_text(fit.octets)} fit {rooms}", (), message_of(fit))


@FRAMES.rule("fits-only-unsecured", Fit)
def fits_only_unsecured(draft: Draft, fit: Fit) -> Hits:
    """Measure the room without security."""
    path = draft.path(fit)
    if path.link.security is None or fit.spare >= 0:
        return
    bare = room_of(_unsecured(path))
    if fit.octets <= bare:
        cause = (
            f"{octets_text(fit.octets)}; {room_text(fit.room)}, and {bare} only without security"
        )
        evidence = f"sizes {max(fit.room + 1, 0)} to {bare} would pass an estimate that forgets it"
        severity = Severity.REMARK if fit.fits else None
        yield Hit(cause, (evidence,), message_of(fit), severity=severity)


def _unsecured(path: FlowPath) -> FlowPath:
    return replace(path, link=replace(path.link, security=None))


@FRAMES.rule("group-message-fragmented", Fit)
def group_message_fragmented(draft: Draft, fit: Fit) -> Hits:
    """Look at the flows to groups."""
    if draft.design.flow(fit.flow).group is not None and (fit.frames is None or fit.frames > 1):
        yield Hit(f"{fit.frames or 'too many'} frames to all neighbours", (), message_of(fit))


@FRAMES.rule("route-too-long", Fit)
def route_too_long(draft: Draft, fit: Fit) -> Hits:
    """Compare the deepest route with the hops."""
    hops = draft.design.flow(fit.flow).hops
    if fit.deepest is None or fit.deepest >= hops - 1:
        return
    reach = "does not reach over a single router"
    if fit.deepest > 0:
        reach = f"reaches over {plural(fit.deepest, 'router')}"
    yield Hit(f"one frame {reach}, {hops} hops need {hops - 1}", (), message_of(fit))


@FRAMES.rule("fragments-pay-security-each", Fit)
def fragments_pay_security_each(draft: Draft, fit: Fit) -> Hits:
    """Count fragments of an unsecured link with the security octets added to the message once."""
    path = draft.path(fit)
    if path.link.security is None or fit.frames is None or fit.frames < 2:
        return
    bare = _unsecured(path)
    once = frames_of(bare, fit.octets + bare.link_room - path.link_room)
    if once is not None and once < fit.frames:
        cause = f"{fit.frames} frames, {once} by an estimate that counts security once"
        yield Hit(cause, (), message_of(fit))


@FRAMES.rule("message-takes-many-frames", Fit)
def message_takes_many_frames(draft: Draft, fit: Fit) -> Hits:
    """Count frames and transmissions."""
    if fit.frames is not None and fit.frames > MANY:
        hops = draft.design.flow(fit.flow).hops
        places = f"{fit.frames} frames need as many places in a queue at once"
        cause = f"{places}, and {fit.frames * hops} transmissions"
        yield Hit(cause, (f"{hops} hops",), message_of(fit))


@FRAMES.rule("message-just-over-a-cliff", Fit)
def message_just_over_a_cliff(draft: Draft, fit: Fit) -> Hits:
    """Look for the cliff before the message."""
    if fit.frames is None or fit.frames < 2:
        return
    steps = cliffs(draft.path(fit), fit.room, fit.frames)
    before = [octets for octets, count in steps if count < fit.frames]
    if before and 0 < fit.octets - before[-1] <= UNIT:
        cause = f"{octets_text(fit.octets)} take {fit.frames} frames, {before[-1]} would take {fit.frames - 1}"
        yield Hit(cause, (), message_of(fit))


@FRAMES.rule("first-fragment-without-slack", Fit)
def first_fragment_without_slack(draft: Draft, fit: Fit) -> Hits:
    """Compare the first hop's first fragment with the growth of empty frames."""
    first = draft.first_hop(fit)
    if first is None or first.frames is None or first.frames < 2:
        return
    path = draft.path(first)
    later = [other for other in draft.design.paths(path.flow) if other.hop.name != FIRST]
    slack = path.link_room - path.lengths(first.octets)[0]
    growth = max((other.lengths(0)[0] for other in later), default=0) - path.lengths(0)[0]
    if growth > slack:
        yield Hit(f"{octets_text(slack)} of slack, headers grow by {growth}", (), message_of(fit))
