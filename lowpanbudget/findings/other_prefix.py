"""Checksums of a sender that are all off by the same: as another prefix of a context makes them, or another address."""

from collections.abc import Iterator, Sequence
from ipaddress import IPv6Address

from lowpanbudget.cites import rfc
from lowpanbudget.env import IID_MASK, interface_identifier, link_text
from lowpanbudget.findings.finding import Certainty, Hit
from lowpanbudget.findings.guesses import Slip
from lowpanbudget.findings.prefix_here import SenderAndContexts, hit_of_all, of_all_senders
from lowpanbudget.findings.prefix_sums import (
    MISTAKE_FIRST,
    announced_otherwise,
    is_shared,
    other_prefixes,
    prefix_words,
    signed,
)
from lowpanbudget.findings.sum_slips import SumSlip, port_words, slips_beside
from lowpanbudget.findings.sums import Differences
from lowpanbudget.findings.surroundings import Surroundings

_OTHER_LINK = (
    "Let the node make its address of the link address that the frame carries, or carry the identifier in line: who "
    "elides it has it made of that (RFC 6282 section 3.2.2)."
)


def _of_other_link(sender: str, found: Differences, off: int, known: Surroundings) -> Hit | None:
    """Return that a sender makes its identifier of its other link address, where that is off by so much; else None.

    Both elided: a receiver makes the identifier of the link address in the frame. Any other address would be off by as
    much once in 65535, so that only those are looked at which are known here, or end as that one does.
    """
    here = found.source & IID_MASK
    links = {link for _, link in known.senders} | known.devices
    links |= {(here & 0xFFFF).to_bytes(2, "big")}
    for link in sorted(links, key=lambda one: (len(one), one)):
        other = interface_identifier(link)
        if other is None or other == here or other & 0xFFFF != here & 0xFFFF:
            continue
        if _off(other, here) != off % 0xFFFF:
            continue
        cause = f"it makes the identifier of its address of {link_text(link)}, not of the address in its frames"
        sums = f"all {found.count} wrong sums differ by {signed(off)}"
        told = f"{IPv6Address(found.source - here + other)} in place of {IPv6Address(found.source)}"
        frames, cite = tuple(found.frames), rfc(6282, "3.2.2")
        hit = Hit(cause, (sums, told), sender, frames, times=found.count, advice=_OTHER_LINK)
        return hit._replace(certainty=Certainty.OPEN, cite=cite)
    return None


def elided_off(own: bytes, other: bytes) -> int:
    """Return by how much a sum is off whose sender elided its identifier, and was given that of another address."""
    return _off(interface_identifier(own) or 0, interface_identifier(other) or 0)


def _off(own: int, here: int) -> int:
    """Return by how much a sum over one identifier is more than over another."""
    words = (sum(one >> at & 0xFFFF for at in range(0, 64, 16)) for one in (own, here))
    return (next(words) - next(words)) % 0xFFFF


def off_by_the_same(known: Surroundings) -> Iterator[tuple[Hit, Slip]]:
    """Yield checksums that are all off by the same, of all senders or of one, and what it is: mistakes or a prefix."""
    of_all = set[SenderAndContexts]()
    for together in of_all_senders(known):
        of_all |= together.keys()
        each = [_slips_of(found, found.prefix_off, known) for found in together.values()]
        slips = tuple(slip for slip in each[0] if all(slip in others for others in each))
        yield hit_of_all(together, known.announced, slips), _kind_of(slips)
    for key, found in known.sums.items():
        (sender, _), off = key, found.constant
        if not off or found.is_without_length or found.inverted or key in of_all:
            continue
        link, slips = _of_other_link(sender, found, off, known), _slips_of(found, off, known)
        if link is None and slips:
            yield _of_slips(sender, found, off, slips), _kind_of(slips)
        else:
            yield link or _of_prefix(sender, found, off, known), Slip.CONTEXT


def _kind_of(slips: Sequence[SumSlip]) -> Slip:
    """Return what mistakes are: of a formula, of ports alone that their form cannot hold, or none."""
    if not slips:
        return Slip.CONTEXT
    return Slip.PORT if all(slip.of_form for slip in slips) else Slip.FORMULA


def _slips_of(found: Differences, off: int, known: Surroundings) -> tuple[SumSlip, ...]:
    """Return the mistakes with a name that add so much; none where a prefix does that was announced here too."""
    if announced_otherwise(known.announced, found, off):
        return ()
    return slips_beside(found, off, known.ports)


def _of_slips(sender: str, found: Differences, off: int, slips: Sequence[SumSlip]) -> Hit:
    """Return that mistakes with a name add just what all sums are off by; another prefix may, and is said behind."""
    told = ", or ".join(slip.text for slip in slips)
    words = prefix_words(found.contexts, off)
    cause = f"all its checksums are right when {told}; where {words}"
    if found.flip:
        cause += f", or bit {found.flip:#06x} of the checksum is inverted in all of them"
    evidence = (
        f"all {found.count} wrong sums differ by {signed(off)}",
        *other_prefixes(found, off),
    )
    cause += ", they would be right as well"
    return Hit(
        cause, evidence, sender, tuple(found.frames), times=found.count, certainty=Certainty.OPEN, advice=MISTAKE_FIRST
    )  # fmt: skip


def _of_prefix(sender: str, found: Differences, off: int, known: Surroundings) -> Hit:
    """Return that a sender has another prefix under a context, and which that may be; or what else adds as much."""
    # what both addresses add together one of them may add as well
    certainty = Certainty.OPEN if is_shared(found.contexts) else None
    cause = prefix_words(found.contexts, off)
    evidence = [f"all {found.count} wrong sums differ by {signed(off)}"]
    other = announced_otherwise(known.announced, found, off)
    if other:
        cause = f"{other}, which was announced here too: all sums are right so"
    else:
        ports = port_words(found, off) if is_shared(found.contexts) else ""
        evidence += [*other_prefixes(found, off), *([ports] if ports else [])]
    if found.flip:
        certainty = Certainty.OPEN
        cause += f", or bit {found.flip:#06x} of the checksum is inverted in all of them"
    frames = tuple(found.frames)
    return Hit(cause, tuple(evidence), sender, frames, times=found.count, certainty=certainty)
