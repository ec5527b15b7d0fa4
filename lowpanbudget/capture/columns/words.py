"""Octets taken as words: sums over them, and whether they agree. Plain functions, compiled where numba is there.

Compiled or not, they give the same: all numbers stay within 63 bits.
"""

from typing import Annotated, Any

from lowpanbudget.capture.columns import places as p

# arrays: compiled these are addresses
Octets = Annotated[Any, "octets"]
Numbers = Annotated[Any, "numbers of 64 bits with a sign"]
_LOW = 0xFFFFFFFF
FACTOR_A, FACTOR_B = 0x2545F491, 0x1B873593  # odd, of 30 bits


def mixed(state: int, word: int, factor: int) -> int:
    """Return 32 bits that hang on all of a state and a word of 32 bits each."""
    product = (state ^ word) * factor
    return (product ^ (product >> 29)) & _LOW


def word(octets: Octets, at: int) -> int:
    """Return the 32 bits that stand at a place, the least octet first; compiled it is one load."""
    return int(
        octets[at] | octets[at + 1] * 0x100 | octets[at + 2] * 0x10000 | octets[at + 3] * 0x1000000
    )


def rest(octets: Octets, at: int, end: int) -> int:
    """Return fewer than 4 octets as one number."""
    value = 0
    while end > at:
        end -= 1
        value = (value << 8) | octets[end]
    return value


def absorbed(state: int, octets: Octets, at: int, end: int) -> int:
    """Return a state mixed with the octets from one place to another."""
    while at + 4 <= end:
        state = mixed(state, word(octets, at), FACTOR_A)
        at += 4
    if at < end:
        state = mixed(state, rest(octets, at, end), FACTOR_A)
    return state


def agree(left: Octets, at: int, right: Octets, other: int, many: int) -> bool:
    """Return whether so many octets are the same in two places."""
    differ = 0
    while many >= 4:
        differ |= word(left, at) ^ word(right, other)
        at += 4
        other += 4
        many -= 4
    if many > 0:
        differ |= rest(left, at, at + many) ^ rest(right, other, other + many)
    return differ == 0


def digest(octets: Octets, at: int, end: int, more: Octets, first: int, last: int) -> int:
    """Return what stands for some octets with others behind them, fewer than nine."""
    a = b = (end - at) + (last - first)
    while at + 4 <= end:
        value = word(octets, at)
        a = mixed(a, value, FACTOR_A)
        b = mixed(b, value, FACTOR_B)
        at += 4
    value, left = rest(octets, at, end), 8 * (end - at)
    while first < last:
        value |= more[first] * (1 << left)
        left += 8
        first += 1
        if left == 32:
            a = mixed(a, value, FACTOR_A)
            b = mixed(b, value, FACTOR_B)
            value = left = 0
    a = mixed(a, value, FACTOR_A)
    b = mixed(b, value, FACTOR_B)
    return (a << 31) ^ b


def check_sequence(octets: Octets, at: int, end: int, sums: Numbers) -> int:
    """Return the 16-bit FCS of some octets; ``sums`` are those of each octet with 0 to 7 zero octets behind it."""
    check = 0
    while at + 8 <= end:
        low, high = word(octets, at) ^ check, word(octets, at + 4)
        check = (
            sums[7 * 256 + (low & 0xFF)]
            ^ sums[6 * 256 + ((low >> 8) & 0xFF)]
            ^ sums[5 * 256 + ((low >> 16) & 0xFF)]
            ^ sums[4 * 256 + ((low >> 24) & 0xFF)]
            ^ sums[3 * 256 + (high & 0xFF)]
            ^ sums[2 * 256 + ((high >> 8) & 0xFF)]
            ^ sums[1 * 256 + ((high >> 16) & 0xFF)]
            ^ sums[(high >> 24) & 0xFF]
        )
        at += 8
    while at < end:
        check = (check >> 8) ^ sums[(check ^ octets[at]) & 0xFF]
        at += 1
    return check


def is_like(
    octets: Octets, start: int, header: int, sequenced: int, counter: int, examples: Octets, example: int
) -> bool:  # fmt: skip
    """Return whether a MAC header is an example's but for its sequence number and frame counter."""
    at = 2 + sequenced
    end = counter or header
    if not agree(octets, start, examples, example, 2) or not agree(
        octets, start + at, examples, example + at, end - at
    ):
        return False
    at = counter + 4
    return counter == 0 or agree(octets, start + at, examples, example + at, header - at)


def elements_end(octets: Octets, at: int, end: int, elements: Numbers, s: Numbers) -> int:
    """Return where header IEs end; -1 where that cannot be told, with ``s[CODE]`` the head that nobody has read yet."""
    while at < end:
        s[p.CODE] = -1
        if at + 2 > end:
            return -1
        head = octets[at] | octets[at + 1] * 0x100
        form = elements[head]
        if form <= 0:
            s[p.CODE] = head if form == p.UNASKED else -1
            return -1
        at += form & 0xFF
        if at > end:
            return -1
        if form >> 8:
            break
    return at
