"""What addresses are compressed against: the root, not known; contexts, also of a wrong time or length."""

from collections.abc import Iterator
from ipaddress import IPv6Address, IPv6Network

from lowpanbudget.capture.follow.learning import border_version
from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.findings import concerns, faults
from lowpanbudget.findings.announcements import Announcement, Announcements
from lowpanbudget.findings.context_users import ContextUsers, UnknownUsers
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import OWN_FAULT, Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd.lowpan_options import ContextOption
from lowpanbudget.layers.internet.nd.messages import RouterAdvertisement
from lowpanbudget.layers.lowpan.addresses import UnknownContext
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.stack.incoming import Notice

CONTEXTS = Subject("contexts")


@CONTEXTS.rule("context-unknown", WireError, memory=ContextUsers)
def context_unknown(memory: ContextUsers, scene: Scene, fault: WireError) -> Hits | None:
    """Take faults of a missing context, of the design's network alone; one that holds no more is used too late."""
    about = fault.about
    if scene.is_beside_design or not isinstance(about, UnknownContext) or about.gone is not None:
        return None
    users, where = memory.unknown.entry(about.context_id, UnknownUsers), faults.where(fault)
    shown = () if users is None else users.take(scene.sender, scene.number, where)
    subject = f"context {about.context_id}"
    return (Hit(f"{subject} has no prefix", shown, subject),)


@CONTEXTS.rule("context-unknown", Iphc, concerns=concerns.no_more)
def context_used(_memory: ContextUsers, scene: Scene, header: Iphc) -> None:
    """Note who compresses with contexts that are known."""
    if scene.is_beside_design:
        return  # its contexts are others
    scene.known.compressors.use(
        scene.sender, {number for number in header.contexts if number is not None}
    )


@CONTEXTS.at_end("context-unknown")
def used_by_one_alone(memory: ContextUsers, known: Surroundings) -> Hits:
    """Tell where one node alone compresses with it, and others with what is known: it has it from elsewhere.

    Where a design has contexts, and not that one, nobody is planned to expand what it sends.
    """
    is_planned = known.design is not None and bool(known.design.contexts)
    for number in memory.unknown:
        told = memory.alone(number, known.compressors)
        if told is None:
            continue
        subject, (words, first) = f"context {number}", told
        hit = Hit(f"{subject} has no prefix", (words,), subject, (first,), times=0)
        if is_planned:
            cause = f"{hit.cause}, and is none of the design's"
            hit = hit._replace(cause=cause, severity=Severity.FAILURE, advice=_ALONE)
        yield hit


_ALONE = (
    "Compare what that node has under its context numbers with what the others have: nobody expands what it sends. Let "
    "it take contexts from advertisements (RFC 6775 section 5.4.2). If the network has this context, give its prefix "
    "in the design."
)


@CONTEXTS.rule("root-unknown", OWN_FAULT)
def root_unknown(_scene: Scene, fault: WireError) -> Hits:
    """Take faults of a tunnel whose encapsulator, or end, is the root's address or compressed against it."""
    yield Hit(fault.message, (faults.where(fault),), "root")


def announced(message: Icmpv6) -> Iterator[ContextOption]:
    """Yield the contexts in an advertisement."""
    if isinstance(message.message, RouterAdvertisement):
        yield from (one for one in message.message.options if isinstance(one, ContextOption))


@CONTEXTS.rule("context-used-too-soon", Icmpv6, memory=Announcements)
@CONTEXTS.rule("context-used-too-late", Icmpv6, memory=Announcements)
def context_announced(memory: Announcements, scene: Scene, message: Icmpv6) -> None:
    """Learn from advertisements."""
    source = None if scene.header is None else scene.header.source
    options = [*announced(message)]
    content = message.message
    border = border_version(content) if isinstance(content, RouterAdvertisement) else None
    for option in options:
        known = memory.get(option.cid)
        relayed = known is not None and known.source not in {source, None}
        between = (scene.link_source, scene.link_destination) if relayed else ()
        announcement = Announcement(option, scene.time_s, scene.number, source, border, between)
        memory.take(announcement, scene.contexts.get(option.cid))


@CONTEXTS.rule("context-used-too-soon", Iphc, concerns=concerns.context)
def context_used_too_soon(memory: Announcements, scene: Scene, header: Iphc) -> Hits | None:
    """Compare each use with what was announced."""
    if not memory:
        return None
    numbers = [number for number in dict.fromkeys(header.contexts) if number is not None]
    return [hit for number in numbers for hit in _too_soon(memory, scene, number)]


@CONTEXTS.rule("context-used-too-soon", Iphc, concerns=concerns.expanding_context)
def context_for_expanding(memory: Announcements, scene: Scene, header: Iphc) -> Hits:
    """Compare each use of a context that was not announced with what is known."""
    for number in dict.fromkeys(header.contexts):
        context = None if number is None or number in memory else scene.contexts.get(number)
        if number is not None and context is not None and not context.may_compress:
            yield _used(scene, number, context.prefix, "is for expanding only")


@CONTEXTS.rule("context-used-too-late", Iphc, concerns=concerns.context)
def context_used_too_late(memory: Announcements, scene: Scene, header: Iphc) -> Hits | None:
    """Compare each use with how long it was announced for."""
    if not memory:
        return None
    numbers = [number for number in dict.fromkeys(header.contexts) if number is not None]
    return [hit for number in numbers for hit in _too_late(memory, scene, number)]


@CONTEXTS.rule("context-used-too-late", WireError)
def context_used_when_forgotten(memory: Announcements, scene: Scene, fault: WireError) -> Hits:
    """Take faults of a context that held once, and that nobody has any more."""
    about = fault.about
    if not isinstance(about, UnknownContext) or about.gone is None:
        return
    if about.context_id in memory:
        yield from _too_late(memory, scene, about.context_id)
    else:
        yield _used(scene, about.context_id, about.gone.prefix, about.gone.why)


def _too_soon(memory: Announcements, scene: Scene, number: int) -> Hits:
    said = memory.get(number)
    if said is None:
        return
    age_s = scene.time_s - said.time_s
    if said.is_too_soon(age_s) and said.is_known_to(scene.link_source, age_s):
        why = "is announced for expanding only (C = 0)"
        yield _used(scene, number, said.option.prefix, why, said.used(scene.number, age_s))


def _too_late(memory: Announcements, scene: Scene, number: int) -> Hits:
    said = memory.get(number)
    if said is None:
        return
    age_s = scene.time_s - said.time_s
    why = said.why_too_late(age_s)
    if why:
        hit = _used(scene, number, said.option.prefix, why, said.used(scene.number, age_s))
        if said.option.removes:
            yield hit._replace(advice=_WITHDRAWN, cite=rfc(6775, "7.2"))
        else:
            yield hit._replace(evidence=(*said.change, *hit.evidence))


def _used(scene: Scene, number: int, prefix: IPv6Network, why: str, *evidence: str) -> Hit:
    cause = f"context {number} ({prefix}) {why}, and headers are compressed with it"
    return Hit(cause, evidence, f"{scene.sender}: context {number}")


_WITHDRAWN = "Announce a context with C = 0 until no node compresses with it, and withdraw it then."


def _is_odd(prefix: IPv6Network) -> bool:
    return prefix.prefixlen not in {64, 128}


@CONTEXTS.rule("context-length-unusual", Icmpv6)
def context_length_unusual(_scene: Scene, message: Icmpv6) -> Hits:
    """Look at the lengths in an advertisement."""
    for option in announced(message):
        if _is_odd(option.prefix):
            subject = f"context {option.cid}"
            yield Hit(f"{subject} is {option.prefix}", (), subject)


@CONTEXTS.at_end("context-length-unusual")
def context_lengths_unusual(known: Surroundings) -> Hits:
    """Look at the contexts that were given, and at the prefixes seen under them."""
    for number, context in known.contexts.items():
        if not _is_odd(context.prefix):
            continue
        lost = [
            IPv6Address(prefix << 64)
            for prefix in known.prefixes
            if IPv6Address(prefix << 64) in context.prefix and prefix << 64 != context.value
        ]
        subject = f"context {number}"
        cause = f"{subject} is {context.prefix}"
        if lost and context.prefix.prefixlen < 64:
            evidence = (
                f"{address}/64 lies under it and is not restored from it" for address in lost
            )
            yield Hit(cause, tuple(evidence)[:3], subject, severity=Severity.RISK)
        else:
            yield Hit(cause, (), subject)


_DISPUTED = "context-disputed"
_OTHERWISE = Noticed("context-differs"), Noticed(_DISPUTED)


@CONTEXTS.rule("context-announced-otherwise", *_OTHERWISE, varies=True)
def announced_otherwise(_memory: object, scene: Scene, notice: Notice) -> Hits:
    """Take the notices of what was learned, and of what is not believed; by who says so."""
    certainty = Certainty.CAPTURE if notice.name == _DISPUTED else None
    cause = "contexts are announced otherwise than they hold"
    yield Hit(cause, (notice.text,), scene.sender, certainty=certainty)


@CONTEXTS.rule("context-announced-otherwise", Noticed("context-moved"), varies=True)
def moved_at_once(_memory: object, scene: Scene, notice: Notice) -> Hits:
    """Take the notices of contexts that their own router makes others."""
    cause = "a context becomes another before nobody uses it any more"
    subject = f"{scene.sender}: its own contexts"
    yield Hit(
        cause,
        (notice.text,),
        subject,
        advice=_TAKE_OUT,
        certainty=Certainty.CAPTURE,
        cite=notice.cite,
    )


_TAKE_OUT = (
    "Announce the old prefix with C = 0 for 300 s, then the new one with C = 0 until all nodes have it, "
    "then with C = 1; or take a number that is free."
)
