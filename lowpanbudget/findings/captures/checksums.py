"""Transport checksums: each finding names the reading of the datagram that makes the checksum right."""

from collections.abc import Iterator
from ipaddress import IPv6Network

from lowpanbudget.env import IID_MASK, UNIVERSAL_LOCAL, interface_identifier, link_text
from lowpanbudget.findings.checksum import SumReading
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.guesses import Slip
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene, Surroundings
from lowpanbudget.findings.sums import Differences
from lowpanbudget.layers.lowpan.iphc import Iphc

CHECKSUMS = Subject("checksums")
_WORD = 16  # bits that a checksum adds up at once


@CHECKSUMS.rule("context-table-differs", Slip.CONTEXT)
@CHECKSUMS.rule("identifier-by-old-rule", Slip.OLD_RULE)
@CHECKSUMS.rule("identifier-of-reversed-address", Slip.REVERSED)
@CHECKSUMS.rule("universal-local-bit-wrong", Slip.UNIVERSAL)
@CHECKSUMS.rule("checksum-counts-extensions", Slip.OPTION)
@CHECKSUMS.rule("checksum-over-other-destination", Slip.ROUTE)
def checksum_explained(scene: Scene, reading: SumReading) -> Hits:
    """Tell the reading that makes it right; a subject is what is the same in all frames: without the addresses."""
    sums = f"checksum carried {reading.carried:#06x}, computed here {reading.computed:#06x}"
    evidence = (f"{sums}; {reading.tried} readings tried",)
    cause = f"the checksum is right when {reading.text}"
    yield Hit(cause, evidence, f"{scene.sender}: {reading.what}", scene.numbers)


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


@CHECKSUMS.rule("checksum-wrong", Slip.NONE)
def checksum_unexplained(scene: Scene, reading: SumReading) -> None:
    """Note what no reading explains."""
    packed = None if scene.datagram is None else scene.datagram.iphc
    contexts = (None, None) if packed is None else packed.contexts
    key = (scene.sender, contexts)
    found = scene.known.sums.entry(key, lambda: Differences(contexts, reading.text))
    if found is not None:
        found.take(reading.carried, reading.computed, reading.tried, scene.numbers)


@CHECKSUMS.at_end("checksum-wrong")
def checksum_wrong(known: Surroundings) -> Hits:
    """Take what a prefix does not explain either."""
    for (sender, _), found in known.sums.items():
        if not found.constant:
            evidence, frames = tuple(found.evidence), tuple(found.frames)
            yield Hit(found.text, evidence, sender, frames, times=found.count)


@CHECKSUMS.at_end("prefix-of-context-differs")
def prefix_of_context_differs(known: Surroundings) -> Hits:
    """Take checksums that are all off by the same: it is what another prefix adds."""
    for (sender, contexts), found in known.sums.items():
        off, numbers = found.constant, sorted({one for one in contexts if one is not None})
        if not off:
            continue
        sides = sum(one is not None for one in contexts)
        evidence = [f"all {found.count} checksums differ by {off:#06x}"]
        if len(numbers) == 1:
            # half of it for each of two addresses; 0xffff is odd, so that there is one half
            each = off if sides == 1 else (off + 0xFFFF * (off % 2)) // 2
            cause = (
                f"the words of the prefix of context {numbers[0]} sum up to {each:#06x} more at the "
                "sender than here"
            )
            evidence += _prefixes(known, numbers[0], each)
        else:
            names = " and ".join(map(str, numbers))
            cause = f"the prefixes of contexts {names} sum up to {off:#06x} more at the sender than here"
        yield Hit(cause, tuple(evidence), sender, tuple(found.frames), times=found.count)


def _prefixes(known: Surroundings, number: int, more: int) -> Iterator[str]:
    """Yield which prefixes it may be, when one word of that known here differs."""
    context = known.contexts.get(number)
    if context is None or context.prefix.prefixlen % _WORD:
        return
    length, changed = context.prefix.prefixlen, []
    for at in range(128 - _WORD, 127 - length, -_WORD):
        word = context.value >> at & 0xFFFF
        other = context.value + (((word + more) % 0xFFFF - word) << at)
        changed.append(str(IPv6Network((other, length))))
    yield f"with one word other than in {context.prefix}: {' or '.join(changed)}"


@CHECKSUMS.rule("checksum-wrong", HeardDatagram)
def checksum_zero(scene: Scene, datagram: HeardDatagram) -> Hits:
    """Take UDP checksums of zero, which IPv6 does not allow."""
    header = datagram.udp_behind
    if header is not None and not header.checksum:
        evidence = (bytes(header).hex(" "),)
        yield Hit("the UDP checksum is zero", evidence, scene.sender, datagram.numbers)
