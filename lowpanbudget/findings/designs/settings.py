"""Settings of a design that cost octets, and the network's own messages."""

from dataclasses import replace
from ipaddress import IPv6Network

from lowpanbudget.design.flow import Flow
from lowpanbudget.errors import LowpanError, plural
from lowpanbudget.findings.draft import Draft
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.wording import octets_text, room_text
from lowpanbudget.layers.link.auxiliary import LEVELS
from lowpanbudget.layers.lowpan.forms import HLIM
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.remarks import remarks
from lowpanbudget.room.measure import room_of

SETTINGS = Subject("settings")
_SEGMENT = "Uri-Path"


@SETTINGS.rule("encryption-planned-without-integrity", Draft)
def encryption_planned_without_integrity(draft: Draft, _design: Draft) -> Hits:
    """Look at the level; tell the shortest code that goes with encryption."""
    security = draft.design.link.security
    if security is None or not security.protection.encrypted or security.protection.mic:
        return
    mic, level = min(
        (one.mic, level) for level, one in enumerate(LEVELS) if one.encrypted and one.mic
    )
    cause = f"security level {security.level} encrypts and does not verify"
    yield Hit(cause, (f"level {level} adds a code of {octets_text(mic)}",), "the link")


@SETTINGS.rule("context-serves-nobody", Draft)
def context_serves_nobody(draft: Draft, _design: Draft) -> Hits:
    """Look for addresses under short contexts that no other context serves."""
    design = draft.design
    whole = [one for one in design.contexts.values() if one.prefix.prefixlen >= 64]
    for number, context in design.contexts.items():
        if context.prefix.prefixlen >= 64:
            continue
        for station in design.stations:
            address = station.ip(design.link.addresses)
            if not context.covers(address) or int(address) >> 64 << 64 == context.value:
                continue
            if not any(one.covers(address) for one in whole):
                cause = f"context {number} ({context.prefix}) does not restore {address}"
                yield Hit(cause, (), f"station {station.name}")


@SETTINGS.rule("prefix-in-two-contexts", Draft)
def prefix_in_two_contexts(draft: Draft, _design: Draft) -> Hits:
    """Look for prefixes that stand under two numbers, both to compress with."""
    numbers: dict[IPv6Network, int] = {}
    for number, context in draft.design.contexts.items():
        if context.may_compress:
            first = numbers.setdefault(context.prefix, number)
            if first != number:
                yield Hit(
                    f"contexts {first} and {number} are both {context.prefix}", (), "the link"
                )


@SETTINGS.rule("duty-cycle-without-limit", Draft)
def duty_cycle_without_limit(draft: Draft, _design: Draft) -> Hits:
    """Look whether a node may send all the time: 1 was perhaps meant as a percentage."""
    limits = draft.design.limits
    if limits is not None and limits.duty_cycle == 1:
        yield Hit("limits.duty_cycle = 1 is 100 % of the time", (), "the network")


@SETTINGS.rule("hop-limit-costs-an-octet", Flow)
def hop_limit_costs_an_octet(draft: Draft, flow: Flow) -> Hits:
    """Look at each flow from inside the mesh, and whether its worst hop has more room with a limit that is elided."""
    if flow.source.role == "outside" or not HLIM.best(flow.hop_limit).row.inline:
        return
    elided = replace(flow, hop_limit=64)
    now, then = (min(map(room_of, draft.design.paths(way))) for way in (flow, elided))
    advice = ""  # the manual's
    if then <= now:
        advice = "Use 64, or 255: the first hop gains the octet, the room of the flow does not, as later hops pay it "
        advice += "anyway."
    yield Hit(f"hop limit {flow.hop_limit}", (), f"flow {flow.name}", advice=advice)


@SETTINGS.rule("path-has-empty-segment", Flow)
def path_has_empty_segment(_draft: Draft, flow: Flow) -> Hits:
    """Count the options of a path that say nothing."""
    coap = flow.application.coap
    empty = [
        one for one in (coap.options if coap else ()) if one.name == _SEGMENT and not one.octets
    ]
    if empty:
        cause = f"{plural(len(empty), f'{_SEGMENT} option')} without a text, from a slash at the end or two in a row"
        yield Hit(cause, (f"{octets_text(len(empty))} a message",), f"flow {flow.name}")


@SETTINGS.rule("advertisement-does-not-fit", Draft)
def advertisement_does_not_fit(draft: Draft, _design: Draft) -> Hits:
    """Build the advertisement and cut it."""
    from lowpanbudget.design.advertisement import advertisement  # noqa: PLC0415  # brings many messages

    try:
        made = advertisement(draft.design)
    except LowpanError:
        return
    if made is not None and made.frames > 1:
        cause = f"an advertisement with {made.options} options takes {made.frames} frames"
        sizes = f"{made.octets} octets of ICMPv6 and {made.header} of IPv6, room for {made.room} behind the MAC header"
        yield Hit(cause, (sizes,), "the link")


@SETTINGS.rule("tunnel-costs-octets", Flow)
def tunnel_costs_octets(draft: Draft, flow: Flow) -> Hits:
    """Measure both where it may be left out."""
    if flow.routing.tunnel and not flow.must_tunnel:
        yield from _difference(draft, flow, flow.tunnelled(tunnel=False), "without the tunnel")


@SETTINGS.rule("routing-as-extension-headers", Flow)
def routing_as_extension_headers(draft: Draft, flow: Flow) -> Hits:
    """Measure both."""
    if (flow.routing.rpi or flow.routing.route) and not flow.routing.compressed:
        compressed = replace(flow, routing=replace(flow.routing, compressed=True))
        yield from _difference(draft, flow, compressed, "as 6LoRH headers")


def _difference(draft: Draft, flow: Flow, other: Flow, text: str) -> Hits:
    # the hops anew: hop limits fall otherwise in a tunnel
    now, then = (room_of(draft.design.paths(way)[-1]) for way in (flow, other))
    if then > now:
        room = f"room {now}" if now >= 0 else room_text(now)
        evidence = (f"{octets_text(then - now)} a frame",)
        other_room = then if then >= 0 else f"{-then} over"
        yield Hit(f"{room}, {other_room} {text}", evidence, f"flow {flow.name}")


@SETTINGS.rule("message-deserves-a-look", Message)
def message_deserves_a_look(_draft: Draft, message: Message) -> Hits:
    """Take the remarks about a message; what loses values is a risk."""
    for remark in remarks(message):
        where = f"message {message.name}" + (f", {remark.path}" if remark.path else "")
        severity = Severity.RISK if remark.loses else None
        yield Hit(remark.text, (), where, severity=severity, advice=remark.hint, cite=remark.cite)
