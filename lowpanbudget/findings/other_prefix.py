"""Checksums of a sender that are all off by the same: as another prefix of a context makes them, or another address."""

from ipaddress import IPv6Address

from lowpanbudget.cites import rfc
from lowpanbudget.env import IID_MASK, interface_identifier, link_text
from lowpanbudget.findings.finding import Certainty, Hit
from lowpanbudget.findings.prefix_sums import (
    announced_otherwise,
    formulas_beside,
    is_shared,
    other_prefixes,
    ports_beside,
    prefix_words,
    signed,
)
from lowpanbudget.findings.sums import Differences
from lowpanbudget.findings.surroundings import Surroundings

_OTHER_LINK = (
    "Let the node make its address of the link address that the frame carries, or carry the identifier in line: who "
    "elides it has it made of that (RFC 6282 section 3.2.2)."
)


def of_other_link(sender: str, found: Differences, off: int, known: Surroundings) -> Hit | None:
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
        if (_words(other) - _words(here)) % 0xFFFF != off % 0xFFFF:
            continue
        cause = f"it makes the identifier of its address of {link_text(link)}, not of the address in its frames"
        sums = f"all {found.count} wrong sums differ by {signed(off)}"
        told = f"{IPv6Address(found.source - here + other)} in place of {IPv6Address(found.source)}"
        frames, cite = tuple(found.frames), rfc(6282, "3.2.2")
        hit = Hit(cause, (sums, told), sender, frames, times=found.count, advice=_OTHER_LINK)
        return hit._replace(certainty=Certainty.OPEN, cite=cite)
    return None


def _words(identifier: int) -> int:
    return sum(identifier >> at & 0xFFFF for at in range(0, 64, 16))


def of_prefix(sender: str, found: Differences, off: int, known: Surroundings) -> Hit:
    """Return that a sender has another prefix under a context, and which that may be; or what else adds as much."""
    # what both addresses add together one of them may add as well
    certainty = Certainty.OPEN if is_shared(found.contexts) else None
    cause = prefix_words(found.contexts, off)
    evidence = [f"all {found.count} wrong sums differ by {signed(off)}"]
    other = announced_otherwise(known.announced, found, off)
    if other:
        cause = f"{other}, which was announced here too: all sums are right so"
    else:
        evidence += other_prefixes(found, off)
    formulas = () if other else formulas_beside(found, off)
    for text in (*ports_beside(found, off), *formulas):
        certainty = Certainty.OPEN
        cause += f", or {text}"
    if found.flip:
        certainty = Certainty.OPEN
        cause += f", or bit {found.flip:#06x} of the checksum is inverted in all of them"
    frames = tuple(found.frames)
    return Hit(cause, tuple(evidence), sender, frames, times=found.count, certainty=certainty)
