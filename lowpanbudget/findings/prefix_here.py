"""Checksums of all senders that are off by the same: the prefix that is known here is not theirs."""

from collections.abc import Iterator, Sequence

from lowpanbudget.findings.finding import Certainty, Hit
from lowpanbudget.findings.header_forms import HeldReading
from lowpanbudget.findings.prefix_sums import (
    MISTAKE_FIRST,
    AnnouncedPrefixes,
    announced_otherwise,
    each_off,
    other_prefixes,
    prefix_words,
    signed,
)
from lowpanbudget.findings.sum_slips import SumSlip
from lowpanbudget.findings.sums import DISTINCT, ContextPair, Differences
from lowpanbudget.findings.surroundings import Surroundings

_LEAST_SENDERS = 2  # one alone may have another prefix than all that were not heard; our choice
_MOST_FRAMES = 12
_GIVE_THEIRS = (
    "Look where the prefix that is known here comes from (--context, a file, an advertisement), and give that of this "
    "network: its border router tells it, or a datagram with an address in full."
)
_LEAVE_IT_OUT = (
    "Leave the prefix of that context out where it is given: the capture announces theirs."
)
SenderAndContexts = tuple[str, ContextPair]
OffTogether = dict[SenderAndContexts, Differences]


def of_all_senders(known: Surroundings) -> Iterator[OffTogether]:
    """Yield wrong checksums of all who lean on the same contexts, off by what one prefix adds, where none is right."""
    by_contexts: dict[tuple[int, ...], dict[int, OffTogether]] = {}
    for key, found in known.sums.items():
        if found.leans and found.count:  # not those that a reading explains
            numbers, each = each_off(key[1], found.prefix_off)
            by_contexts.setdefault((*numbers,), {}).setdefault(each, {})[key] = found
    right = {number for form in known.forms.values() for number in form.contexts}
    for leaning, by_off in by_contexts.items():
        unlike = len(by_off.pop(0, {}))  # of several causes, or of one that is no prefix
        if len(by_off) != 1 or not right.isdisjoint(leaning):
            continue
        (together,) = by_off.values()
        distinct = sum(len(found.computed) for found in together.values())
        is_many = len({sender for sender, _ in together}) >= _LEAST_SENDERS
        if is_many and unlike < len(together) and distinct >= DISTINCT:
            yield together


def is_chance(held: HeldReading, theirs: Sequence[OffTogether]) -> bool:
    """Return whether a reading's sums are off by just what another prefix adds to those of all senders."""
    for together in theirs:
        ((_, contexts), found) = next(iter(together.items()))
        numbers, each = each_off(contexts, found.prefix_off)
        if len(held.off) == 1 and each_off(held.contexts, *held.off) == (numbers, each):
            return True
    return False


def hit_of_all(
    together: OffTogether, announced: AnnouncedPrefixes, slips: Sequence[SumSlip] = ()
) -> Hit:
    """Return what they prove; ``slips``, mistakes with a name that explain the sums of all, come before a prefix."""
    ((_, contexts), first) = next(iter(together.items()))
    off, senders = first.prefix_off, {sender for sender, _ in together}
    numbers, _ = each_off(contexts, off)
    name = f"context{'s' * (len(numbers) > 1)} {' and '.join(map(str, numbers))}"
    cause = f"under {name} no checksum is right, and those of all {len(senders)} senders are off by the same"
    other = announced_otherwise(announced, first, off, alone=False)
    is_announced = any(
        first.held[number].prefix in announced.get(number, ())
        for number in numbers
        if number in first.held
    )
    prefixes = () if other else other_prefixes(first, off, alone=False)
    words = (
        f"{other}, which was announced here too"
        if other
        else prefix_words(contexts, off, alone=False)
    )
    theirs = f"as where the prefix that is known here is not theirs: {words}"
    told = ", or ".join(slip.text for slip in slips)
    cause += f": all are right when {told}; or it is {theirs}" if told else f", {theirs}"
    differ = sorted({signed(found.prefix_off) for found in together.values()})
    count = sum(found.count for found in together.values())
    frames = sorted({number for found in together.values() for number in found.frames})
    advice = _LEAVE_IT_OUT if other and not is_announced else _GIVE_THEIRS
    return Hit(
        cause, (f"all {count} wrong sums differ by {' or '.join(differ)}", *prefixes), name,
        tuple(frames[:_MOST_FRAMES]), advice=MISTAKE_FIRST if slips else advice, times=count,
        certainty=Certainty.OPEN if slips else Certainty.CONFIGURATION,
    )  # fmt: skip
