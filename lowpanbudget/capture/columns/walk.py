"""Records of a capture file found in its octets: plain functions over arrays, compiled where numba is there.

They go on up to the first record that is out of the ordinary, or that has not come as a whole: the reader of the format
takes that one, with all that is to be noticed about it.
"""

from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.columns.words import Numbers, Octets, word
from lowpanbudget.capture.files import tap
from lowpanbudget.capture.files.link_types import ETHERTYPE_FRAME
from lowpanbudget.capture.files.pcap import LONGEST, SECOND

FCS_TYPE, SLOT_NUMBER = (
    next(kind for kind, element in tap.ELEMENTS.items() if name in element.names)
    for name in ("fcs_type", "absolute_slot_number")
)


def number(octets: Octets, at: int, big: int) -> int:
    """Return the 32 bits that stand at a place, the greatest octet first or last."""
    value = word(octets, at)
    if big:
        value = (
            ((value & 0xFF) << 24)
            | ((value & 0xFF00) << 8)
            | ((value >> 8) & 0xFF00)
            | (value >> 24)
        )
    return value


def walk_pcap(
    octets: Octets, end: int, big: int, unit: int, rules: Numbers, sizes: Numbers, records: Numbers, lengths: Numbers,
    starts: Numbers, ends: Numbers, times: Numbers, checks: Numbers, slots: Numbers, w: Numbers,
) -> int:  # fmt: skip
    """Find records of pcap; return how many, ``w[AT]`` is where the next one begins."""
    at = found = 0
    while found < p.AT_ONCE and at + 16 <= end:
        fraction = number(octets, at + 4, big) * unit
        kept = number(octets, at + 8, big)
        start = at + 16
        if (
            not 0 < kept <= LONGEST
            or kept != number(octets, at + 12, big)
            or fraction >= SECOND
            or start + kept > end
            or not unwrapped(
                octets, start, start + kept, rules, sizes, starts, ends, checks, slots, found
            )
        ):
            break
        records[found], lengths[found] = start, kept
        times[found] = number(octets, at, big) * SECOND + fraction
        found += 1
        at = start + kept
    w[p.AT] = at
    return found


def walk_pcapng(
    octets: Octets, end: int, big: int, unit: int, rules: Numbers, sizes: Numbers, records: Numbers, lengths: Numbers,
    starts: Numbers, ends: Numbers, times: Numbers, checks: Numbers, slots: Numbers, w: Numbers,
) -> int:  # fmt: skip
    """Find records of pcapng in enhanced packet blocks of the one interface; return how many, as ``walk_pcap`` does."""
    at = found = 0
    while found < p.AT_ONCE and at + 32 <= end:
        total = number(octets, at + 4, big)
        start = at + 28
        if number(octets, at, big) != p.ENHANCED or total < 32 or total % 4 or at + total > end:
            break
        kept = number(octets, at + 20, big)
        high = number(octets, at + 12, big)
        if (
            number(octets, at + total - 4, big) != total
            or number(octets, at + 8, big)
            or not 0 < kept <= LONGEST
            or start + kept + 4 > at + total
            or kept != number(octets, at + 24, big)
            or high * unit >= p.MOST_HIGH
            or not unwrapped(
                octets, start, start + kept, rules, sizes, starts, ends, checks, slots, found
            )
        ):
            break
        records[found], lengths[found] = start, kept
        times[found] = ((high << 32) | number(octets, at + 16, big)) * unit
        found += 1
        at += total
    w[p.AT] = at
    return found


def unwrapped(
    octets: Octets, start: int, end: int, rules: Numbers, sizes: Numbers, starts: Numbers, ends: Numbers,
    checks: Numbers, slots: Numbers, found: int,
) -> bool:  # fmt: skip
    """Find the frame in a record; return whether it holds one, with no more than is known around it.

    ``rules``: what wraps a frame, its octets, which claim of an FCS goes without saying, by claim the octets of FCS
    and of radio status, and how many ``sizes`` there are: octets of reception elements by their type.
    """
    slots[found] = -1
    claim = rules[2]
    if rules[0] == p.TAPPED:
        if end - start < 4 or octets[start]:
            return False
        at, start = start, start + (octets[start + 2] | octets[start + 3] * 0x100)
        if start < at + 4 or start > end:
            return False
        at += 4
        while at < start:
            if start - at < 4:
                return False
            kind = octets[at] | octets[at + 1] * 0x100
            size = octets[at + 2] | octets[at + 3] * 0x100
            if at + 4 + size > start or kind >= rules[11] or size != sizes[kind]:
                return False
            at += 4
            if kind == FCS_TYPE:
                if octets[at] > 2:
                    return False
                claim = 1 + (octets[at] | 0)  # none, then 0, 2 or 4 octets
            elif kind == SLOT_NUMBER:
                if octets[at + 5] | octets[at + 6] | octets[at + 7]:
                    return False
                low = number(octets, at, 0)
                slots[found] = low | octets[at + 4] * 0x100000000
            at += size + (-size & 3)
    elif rules[0] == p.BEHIND_ETHERNET:
        if (
            end - start < rules[1]
            or ((octets[start + rules[1] - 2] << 8) | octets[start + rules[1] - 1])
            != ETHERTYPE_FRAME
        ):
            return False
        start += rules[1]
    starts[found] = start
    ends[found] = max(end - rules[4 + 2 * claim], start)
    checks[found] = rules[3 + 2 * claim]
    return True
