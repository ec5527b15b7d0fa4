"""Transport checksums: each finding names the reading of the datagram that makes the checksum right."""

from collections.abc import Sequence
from functools import partial

from lowpanbudget.env import IID_MASK, UNIVERSAL_LOCAL, interface_identifier, link_text
from lowpanbudget.findings import concerns
from lowpanbudget.findings.captures.contexts import announced
from lowpanbudget.findings.checksum import SumReading, detail_of, is_right
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Certainty, Hit
from lowpanbudget.findings.guesses import Slip, port_forms
from lowpanbudget.findings.header_forms import HeldReading, SumsOfForm, is_sum_elided
from lowpanbudget.findings.other_prefix import off_by_the_same
from lowpanbudget.findings.prefix_here import is_chance, of_all_senders
from lowpanbudget.findings.prefix_sums import (
    or_prefix,
    other_prefixes,
    prefix_words,
    refuted_words,
)
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.sums import MOST_ROUTERS, Differences
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wrong_sums import changed_by, source_name
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.lowpan.iphc import Iphc

CHECKSUMS = Subject("checksums")
_MOST_ANNOUNCED = 4

# slips of who compresses on a hop; all others are those of who sent the datagram first
_OF_THE_HOP = frozenset({Slip.TAIL, Slip.TUNNEL, Slip.PORT})

_OTHERWISE = Slip.FORMULA, Slip.PADDING, Slip.OWN

_ON_THE_WAY = (
    "Look for octets changed between where the checksum and where the check sequence of the frame was made: buffers, "
    "drivers, a router that changes what it sends on. Addresses and prefixes are the sender's own, unless it changed "
    "them meanwhile: others of its datagrams are right."
)
COMPUTED = (
    "Let the sender compute it; addresses and prefixes play no part. Over IPv6 zero does not stand for none, and a "
    "sum that is zero is sent as 0xffff (RFC 8200 section 8.1)."
)
_BY_NO_PREFIX = (
    "Look how the sender computes the checksum and over which octets, and for octets changed on the way: they are off "
    "by different amounts, which no prefix of a context explains."
)


def checksum_explained(scene: Scene, reading: SumReading) -> Hits:
    """Note the reading that makes it right; a subject is what is the same in all frames: without the addresses."""
    sums = f"checksum carried {reading.carried:#06x}, computed here {reading.computed:#06x}"
    evidence = f"{sums}; {reading.tried} readings tried"
    cause = f"the checksum is right when {reading.text}"
    sender = scene.sender if reading.slip in _OF_THE_HOP else source_name(scene)
    hit = Hit(cause, (evidence,), f"{sender}: {reading.what}", scene.numbers)
    datagram, known = scene.datagram, scene.known
    beside = None if datagram is None else _beside(scene, datagram, reading)
    if beside is not None:
        beside.see(reading.carried, reading.computed)
    form = None if datagram is None else known.forms.entry(datagram.headers.form, SumsOfForm)
    if datagram is None or form is None:
        yield hit
        return
    key = reading.slip, reading.what, detail_of(datagram, reading.slip)
    held = form.held.setdefault(key, HeldReading(hit, reading.text, sender))
    held.contexts = datagram.contexts_used
    held.take(reading.carried, reading.off, evidence, scene.numbers)
    if reading.slip is Slip.OPTION and beside is not None:
        held.beside, held.is_proved = beside, held.is_proved or beside.is_right_since
    yield hit._replace(cause="")  # the end tells whether it holds


def _beside(scene: Scene, datagram: HeardDatagram, reading: SumReading) -> Differences | None:
    """Return what is known of wrong checksums of its sender that lean on the same contexts."""
    contexts, sums = datagram.contexts_used, scene.known.sums
    key = source_name(scene), contexts
    if reading.slip is not Slip.OPTION:
        return sums.get(key)
    return sums.entry(key, lambda: Differences(contexts, held=scene.contexts))


def readings_that_hold(slips: Sequence[Slip], known: Surroundings) -> Hits:
    """Take the readings of these slips that no other checksum refutes."""
    inverting, theirs = known.sums.inverting, list(of_all_senders(known))
    hits = [
        one
        for form in known.forms.values()
        for slip in slips
        for held, one in form.hits(slip)
        if held.sender not in inverting and not is_chance(held, theirs)
    ]
    yield from sorted(hits, key=lambda hit: hit.frames)


for _name, *_slips in (
    ("context-table-differs", Slip.CONTEXT),
    ("identifier-by-old-rule", Slip.OLD_RULE),
    ("identifier-of-reversed-address", Slip.REVERSED),
    ("universal-local-bit-wrong", Slip.UNIVERSAL),
    ("checksum-over-other-destination", Slip.ROUTE),
    ("identifier-not-of-outer-header", Slip.TUNNEL),
    ("checksum-octets-exchanged", Slip.EXCHANGED),
    ("octets-behind-datagram", Slip.TAIL),
):
    CHECKSUMS.rule(_name, *_slips)(checksum_explained)
    CHECKSUMS.at_end(_name)(partial(readings_that_hold, _slips))


CHECKSUMS.rule("ports-do-not-fit-form", Slip.PORT)(checksum_explained)


@CHECKSUMS.at_end("ports-do-not-fit-form")
def ports_at_end(known: Surroundings) -> Hits:
    """Take known ports that hold, and others which make sums right that are all off by the same."""
    yield from readings_that_hold((Slip.PORT,), known)
    yield from (hit for hit, kind in off_by_the_same(known) if kind is Slip.PORT)


CHECKSUMS.rule("checksum-counts-extensions", Slip.OPTION)(checksum_explained)


@CHECKSUMS.at_end("checksum-counts-extensions")
def counts_extensions_at_end(known: Surroundings) -> Hits:
    """Take what holds; where all are off by the same, another prefix of a context may be it, and both are said."""
    inverting = known.sums.inverting
    hits = [
        hit if held.is_proved else or_prefix(hit, held.beside, form, known.announced)
        for form, sums in known.forms.items()
        for held, hit in sums.hits(Slip.OPTION)
        if held.sender not in inverting and not _is_of_prefix(held)
    ]
    yield from sorted(hits, key=lambda hit: hit.frames)


def _is_of_prefix(held: HeldReading) -> bool:
    """Return whether others without extension headers are off by the same, and take it over to those if so."""
    beside = held.beside
    if beside is None or held.is_proved or not beside.is_off_beside(held.sums):
        return False
    beside.take_over(held.count, held.sums, held.frames)
    return True


@CHECKSUMS.rule("checksum-computed-otherwise", *_OTHERWISE)
def computed_otherwise(scene: Scene, reading: SumReading) -> Hits:
    """Note the formula, or the other address of the node, that makes it right."""
    return checksum_explained(scene, reading)


@CHECKSUMS.at_end("checksum-computed-otherwise")
def computed_otherwise_at_end(known: Surroundings) -> Hits:
    """Take what holds, and senders in all of whose wrong checksums one bit is inverted."""
    yield from readings_that_hold(_OTHERWISE, known)
    yield from (hit for hit, kind in off_by_the_same(known) if kind is Slip.FORMULA)
    for (sender, _), found in known.sums.items():
        if found.inverted:
            what = f"bit {found.inverted:#06x} of it, or of a word that it covers, is inverted"
            evidence = f"in all {found.every_count} wrong ones, set in some and cleared in others"
            cause, frames = f"the checksum is right when {what}", tuple(found.frames)
            yield Hit(
                cause, (evidence, *found.evidence), f"{sender}: {what}", frames, times=found.every_count,
                certainty=Certainty.CAPTURE,
            )  # fmt: skip


@CHECKSUMS.rule("universal-local-bit-wrong", Iphc)
def universal_local_bit_wrong(scene: Scene, header: Iphc) -> Hits:
    """Compare an identifier in line with the link source."""
    link, source = scene.link_source, header.header.source
    if link is None or len(link) != 8 or header.rows["source"].inline != 8:
        return
    if int(source) & IID_MASK ^ (interface_identifier(link) or 0) == UNIVERSAL_LOCAL:
        cause = (
            f"{source} holds the link address with its universal/local bit as it is, not inverted"
        )
        yield Hit(cause, (f"link source {link_text(link)}",), link_text(link))


@CHECKSUMS.rule("checksum-wrong", Slip.NONE, Slip.SEVERAL)
@CHECKSUMS.rule("checksum-without-length", Slip.LENGTH)
def checksum_unexplained(scene: Scene, reading: SumReading) -> None:
    """Note what no reading explains, or what several checksums must tell from another prefix."""
    datagram = scene.datagram
    contexts = (None, None) if datagram is None else datagram.contexts_used
    sender = source_name(scene)
    if scene.known.sums.is_renamed(sender, reading.carried, reading.computed):
        return
    key = (sender, contexts)
    found = scene.known.sums.entry(key, lambda: Differences(contexts, held=scene.contexts))
    if found is not None:
        found.text = found.text or reading.text
    if found is not None and datagram is not None:
        found.source = int(datagram.header.source)
        found.destination = int(datagram.destination)
        found.kind = 0 if datagram.upper is None else datagram.upper.kind
        if datagram.ports is not None and len(found.ports) < 2:
            found.ports.add(datagram.ports)
    if found is not None:
        is_without_length = reading.slip is Slip.LENGTH
        found.take(
            reading.carried, reading.computed, reading.tried, reading.length,
            is_without_length=is_without_length, is_explained=reading.slip is Slip.SEVERAL,
        )  # fmt: skip
        found.frames.note(*scene.numbers)
        if len(found.by) < MOST_ROUTERS:
            found.by.add(scene.sender)
        if datagram is None:
            return
        if len(found.forms) < 2:
            found.forms.add(tuple(port_forms(datagram)))
        form = scene.known.forms.entry(datagram.headers.form, SumsOfForm)
        if form is not None:
            found.is_beside_right |= bool(form.rights)
            if reading.slip is not Slip.SEVERAL:
                form.take_unread(datagram)


@CHECKSUMS.at_end("checksum-wrong")
def checksum_wrong(known: Surroundings) -> Hits:
    """Take what neither a length nor a prefix explains."""
    changed, inverting = changed_by(known), known.sums.inverting
    theirs = list(of_all_senders(known))
    of_all = {key for together in theirs for key in together}
    for key, found in known.sums.items():
        sender, is_read = key[0], found.constant or found.is_without_length or found.inverted
        if found.count and not is_read and key not in of_all:
            evidence, frames, advice = [*found.evidence], tuple(found.frames), ""
            if found.is_refuted:
                evidence.insert(0, refuted_words(found))
            if found.is_refuted or found.is_right_since or found.is_beside_right:
                advice = _ON_THE_WAY
            elif len(found.off) > 1:
                advice = _BY_NO_PREFIX
            yield Hit(
                found.text, tuple(evidence), changed.get(sender, sender), frames, advice=advice, times=found.count
            )  # fmt: skip
    for form in known.forms.values():
        for held, unread in form.refuted:
            if held.sender not in inverting and not is_chance(held, theirs):
                yield _chance(held, unread)


def _chance(held: HeldReading, unread: int) -> Hit:
    """Return what is told of a reading that other checksums of the sender refute, right ones or so many wrong ones."""
    cause = f"the checksum is right when {held.text}, as octets changed on the way may make it too"
    others = "others between these addresses, under the same headers, are right as they stand"
    if unread:
        others = f"of {unread} other wrong ones under the same headers that explains none"
    evidence, frames = (others, *held.evidence), tuple(held.frames)
    advice = "" if unread else _ON_THE_WAY
    return Hit(cause, evidence, held.sender, frames, advice=advice, times=held.count)


@CHECKSUMS.at_end("checksum-without-length")
def checksum_without_length(known: Surroundings) -> Hits:
    """Take checksums that are right without a length: lengths that differ prove it, one length may be a prefix."""
    for (sender, _), found in known.sums.items():
        if not found.count or not found.is_without_length:
            continue
        cause, certainty = f"the checksum is right when {found.text}", None
        evidence = list(found.evidence)
        if len(found.lengths) == 1 and found.leans:
            (length,) = found.lengths
            words = prefix_words(found.contexts, 0xFFFF - length)
            cause += f"; where {words}, it would be right as well: all cover {length} octets"
            evidence = [*evidence[:1], *other_prefixes(found, 0xFFFF - length)]
            certainty = Certainty.OPEN
        frames = tuple(found.frames)
        yield Hit(
            cause, tuple(evidence), sender, frames, times=found.count, certainty=certainty
        )  # fmt: skip


@CHECKSUMS.rule("prefix-of-context-differs", Icmpv6, varies=True)
def prefix_announced(scene: Scene, message: Icmpv6) -> None:
    """Note the prefixes of contexts in advertisements, right or wrong: some node may have them."""
    for option in announced(message):
        prefixes = scene.known.announced.setdefault(option.cid, [])
        if message.checksum_ok is not False and option.prefix not in prefixes:
            prefixes.append(option.prefix)
            del prefixes[:-_MOST_ANNOUNCED]


@CHECKSUMS.rule("prefix-of-context-differs", HeardDatagram, varies=True)
def sum_right(scene: Scene, datagram: HeardDatagram) -> None:
    """Note a right checksum: it refutes readings of others under the same form, and prefixes under its contexts."""
    if datagram.is_sum_wrong:
        return
    sums, forms, under = scene.known.sums, scene.known.forms, datagram.headers.form
    form = forms.get(under) or forms.entry(under, SumsOfForm)
    found = sums.get((source_name(scene), datagram.contexts_used)) if sums else None
    wanted = found is not None and not found.is_refuted
    needed = form is not None and form.needs(datagram)
    if not (wanted or needed) or not is_right(datagram.octets) or is_sum_elided(datagram):
        return
    if found is not None and scene.passage is None:  # on its way it may have overtaken nothing
        found.is_right_since = True
    if form is not None:
        form.take_right(datagram)


@CHECKSUMS.at_end("prefix-of-context-differs")
def prefix_of_context_differs(known: Surroundings) -> Hits:
    """Take checksums that are all off by the same, of all senders or of one: it is what another prefix adds."""
    yield from (hit for hit, kind in off_by_the_same(known) if kind is Slip.CONTEXT)


@CHECKSUMS.rule("checksum-wrong", HeardDatagram, varies=True, concerns=concerns.wrong_checksum)
def checksum_zero(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Take UDP checksums of zero, which IPv6 does not allow, where they are heard first."""
    header = datagram.udp_last
    if header is None or header.checksum or scene.passage is not None:
        return None
    cause, evidence = "the UDP checksum is zero", (bytes(header).hex(" "),)
    return (Hit(cause, evidence, source_name(scene), datagram.numbers, advice=COMPUTED),)
