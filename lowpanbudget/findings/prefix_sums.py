"""Checksums under another prefix: by how much they are off then, and which prefixes that may be, in words."""

from collections.abc import Iterator, Mapping, Sequence
from ipaddress import IPv6Address, IPv6Network

from lowpanbudget.env import Context
from lowpanbudget.findings.finding import Certainty, Hit
from lowpanbudget.findings.heard_headers import HeaderForm
from lowpanbudget.findings.sums import ContextPair, Differences

_WORD = 16  # bits that a checksum adds up at once
_HALF = 0x7FFF
_SMALL = 0xFF  # what a length or a next header adds; our choice
_IN_FULL = 16  # octets of an address
_LIKELIER_PREFIX = "likelier is another prefix, for which more than the sums speaks"
_LIKELIER_HEADERS = (
    "likelier are the extension headers, which add just that; another prefix may add anything"
)
MISTAKE_FIRST = (
    "Look how the sender makes the sum first: it does not depend on what others have (RFC 8200 section 8.1). Compare "
    "the contexts of both nodes only where that is right; one datagram between link-local addresses, which lean on no "
    "context, tells: its checksum is right, or off by the same."
)
AnnouncedPrefixes = Mapping[int, Sequence[IPv6Network]]
COMPARE = (
    "Compare the contexts of both nodes first (RFC 6775 section 7.2); where they are the same, compute over UDP or "
    "ICMPv6 alone, with their own length and number (RFC 8200 section 8.1). One datagram without extension headers "
    "tells: its checksum is right, or off by the same."
)


def words_of(prefix: IPv6Network) -> int:
    """Return the sum of the words of a prefix."""
    value = int(prefix.network_address)
    return sum(value >> at & 0xFFFF for at in range(0, 128, _WORD))


def signed(off: int) -> str:
    """Return a difference of sums with its sign: in ones' complement more than half of it is less."""
    return f"+{off:#06x}" if off <= _HALF else f"-{0xFFFF - off:#06x}"


def prefix_words(contexts: ContextPair, off: int, *, alone: bool = True) -> str:
    """Return in words that sums which lean on these contexts are off by so much, be it one address ``alone``."""
    numbers, each = each_off(contexts, off)
    of = f"prefix of context {numbers[0]} sum"
    if len(numbers) > 1:
        of = f"prefixes of contexts {' and '.join(map(str, numbers))} sum"
    one = f", or to {_more(off)} in one address alone" if alone and is_shared(contexts) else ""
    return f"the words of the {of} up to {_more(each)} at the sender than here{one}"


def _more(off: int) -> str:
    return f"{off:#06x} more" if off <= _HALF else f"{0xFFFF - off:#06x} less"


def is_shared(contexts: ContextPair) -> bool:
    """Return whether both addresses lean on one context."""
    return contexts[0] is not None and contexts[0] == contexts[1]


def each_off(contexts: ContextPair, off: int) -> tuple[list[int], int]:
    """Return the contexts that addresses lean on, and by how much the words of one of them are off."""
    numbers = sorted({one for one in contexts if one is not None})
    if is_shared(contexts):
        # half of it for each of two addresses; 0xffff is odd, so that there is one half
        off = (off + 0xFFFF * (off % 2)) // 2
    return numbers, off


def other_prefixes(found: Differences, off: int, *, alone: bool = True) -> Iterator[str]:
    """Yield which prefixes they may be, when one word of one of those differs that the sums were computed with."""
    contexts = found.contexts
    numbers, each = each_off(contexts, off)
    for number in numbers:
        context = found.held.get(number)
        if context is None or context.prefix.prefixlen % _WORD:
            continue
        yield f"with one word other than in {context.prefix}: {_changed(context, each)}"
        if alone and is_shared(contexts):
            yield f"the same in one address alone: {_changed(context, off)}"


def _changed(context: Context, off: int) -> str:
    """Return a prefix with one of its words changed by so much, for each of them."""
    length, changed = context.prefix.prefixlen, []
    for at in range(128 - _WORD, 127 - length, -_WORD):
        word = context.value >> at & 0xFFFF
        other = context.value + (((word + off) % 0xFFFF - word) << at)
        changed.append(str(IPv6Network((other, length))))
    return " or ".join(changed)


def refuted_words(found: Differences) -> str:
    """Return in words that no prefix explains them: a sender has one under a number."""
    right = "others of the sender, under the same contexts, are right between them"
    if len(found.off) > 1:
        return right
    (off,) = found.off
    return f"all {found.count} differ by {signed(off)}, as under another prefix, but {right}"


def announced_otherwise(
    announced: AnnouncedPrefixes, found: Differences, off: int, *, alone: bool = True
) -> str:
    """Return the other prefix of a context, announced in the capture, with which all sums are right; "" without one.

    Where both addresses lean on the context it may be that of one ``alone``.
    """
    numbers, each = each_off(found.contexts, off)
    wanted = {each % 0xFFFF, off % 0xFFFF} if alone else {each % 0xFFFF}
    for number in numbers:
        context = found.held.get(number)
        for prefix in () if context is None else announced.get(number, ()):
            more = (words_of(prefix) - words_of(context.prefix)) % 0xFFFF
            if more and more in wanted:
                where = "" if more == each % 0xFFFF else " in one address"
                return f"the sender has context {number} as {prefix}{where}"
    return ""


def or_prefix(
    hit: Hit, found: Differences | None, form: HeaderForm, announced: AnnouncedPrefixes
) -> Hit:
    """Return what is told of a reading that adds the same to all wrong ones, as another prefix of a context may too.

    That is little, as where prefixes are numbered; what a header holds another prefix adds once in 65535. Likelier is
    the prefix where something else speaks for it: headers can add no other amount, and prefixes may add any.
    """
    if found is None or not found.leans or len(found.every[1]) != 1:
        return hit
    (off,) = found.every[1]
    if not 0 < min(off, 0xFFFF - off) <= _SMALL:
        return hit
    words, in_full = prefix_words(found.contexts, off), tuple(_not_leaning(found, form))
    other = announced_otherwise(announced, found, off, alone=False)
    if other:
        words = f"{other}, which was announced here too"
    prefixes = () if other else other_prefixes(found, off)
    likelier = _LIKELIER_PREFIX if in_full or other else _LIKELIER_HEADERS
    return hit._replace(
        cause=f"{hit.cause}; where {words}, it would be right as well",
        evidence=(*hit.evidence[:1], *in_full, *prefixes, likelier),
        advice=COMPARE, certainty=Certainty.OPEN,
    )  # fmt: skip


def _not_leaning(found: Differences, form: HeaderForm) -> Iterator[str]:
    """Yield an address that is carried in full, though the other one leans on a context whose prefix it has here."""
    for other, address, octets in zip(
        reversed(found.contexts), (form.source, form.destination), form.carried[:2], strict=False
    ):
        context = None if other is None else found.held.get(other)
        if octets == _IN_FULL and context is not None and IPv6Address(address) in context.prefix:
            text = f"{IPv6Address(address)} is carried in full: its sender may not have it in context {other}"
            yield f"{text}, which is {context.prefix} here"
