"""What the counting loop knows of frames before: the last of each source, what fragments saved, which go together.

Plain functions over arrays, compiled where numba is there.
"""

from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.columns.words import FACTOR_A, Numbers, mixed
from lowpanbudget.capture.follow.parts import REPEAT_NS
from lowpanbudget.capture.follow.repeats import COPY_NS


def was_heard(
    heard: Numbers, source: int, time_ns: int, sequence: int, mark: int, copied: bool
) -> tuple[int, bool]:
    """Return where a source sent the same frame not long ago, or -1, and whether this is a copy under another number.

    It is none where nobody counts such frames as ``copied``, or the one before was acknowledged.
    """
    base = source * (1 + p.DEPTH * p.H_FIELDS)
    many = heard[base]
    back = 1
    while back <= p.DEPTH and back <= many:
        one = base + 1 + ((many - back) % p.DEPTH) * p.H_FIELDS
        back += 1
        if heard[one + p.H_CONTENTS] != mark:
            continue
        timed = time_ns != p.NO_TIME and heard[one + p.H_TIME] != p.NO_TIME
        past = time_ns - heard[one + p.H_TIME] if timed else 0
        if heard[one + p.H_SEQUENCE] == sequence and sequence >= 0:
            if 0 <= past <= REPEAT_NS:
                return one, False
        elif timed and 0 <= past <= COPY_NS:
            return -1, copied and not heard[one + p.H_ANSWERED]
    return -1, False


def answer(s: Numbers, heard: Numbers, sequence: int) -> None:
    """Take an acknowledgement: it is for the frame before it where that has its number."""
    one = s[p.LAST_HEARD]
    if one >= 0 and heard[one + p.H_SEQUENCE] == sequence:
        heard[one + p.H_ANSWERED] = 1
    s[p.LAST_HEARD] = -1


def hear(
    s: Numbers, heard: Numbers, source: int, time_ns: int, sequence: int, mark: int, number: int
) -> None:
    """Note what a source sent."""
    base = source * (1 + p.DEPTH * p.H_FIELDS)
    one = base + 1 + (heard[base] % p.DEPTH) * p.H_FIELDS
    heard[base] += 1
    heard[one + p.H_TIME], heard[one + p.H_SEQUENCE] = time_ns, sequence
    heard[one + p.H_CONTENTS], heard[one + p.H_NUMBER] = mark, number
    heard[one + p.H_ANSWERED] = 0
    s[p.LAST_HEARD] = one


def saving_of(savings: Numbers, first: int, around: int, actual: int) -> int:
    """Return how many octets too many such fragments were; -1 while nobody knows."""
    one = saving_place(savings, first, around, actual) * p.S_FIELDS
    return int(savings[one + p.S_VALUE])


def saving_place(savings: Numbers, first: int, around: int, actual: int) -> int:
    """Return where that is told, or a free place for it."""
    place = mixed(mixed(first, around, FACTOR_A), actual, FACTOR_A) & (p.SAVINGS - 1)
    while savings[place * p.S_FIELDS + p.S_CLASS] >= 0:
        one = place * p.S_FIELDS
        if (
            savings[one + p.S_CLASS] == first
            and savings[one + p.S_AROUND] == around
            and savings[one + p.S_ACTUAL] == actual
        ):
            break
        place = (place + 1) & (p.SAVINGS - 1)
    return place


def pair_of(s: Numbers, pairs: Numbers, first: int, later: int) -> int:
    """Return where fragments of one class behind first ones of another are counted; -1 when there are too many."""
    place = mixed(first, later, FACTOR_A) & (p.PAIR_SLOTS - 1)
    while pairs[place] >= 0:
        one = p.PAIR_SLOTS + pairs[place] * 2
        if pairs[one] == first and pairs[one + 1] == later:
            return int(p.MOST_CLASSES + pairs[place])
        place = (place + 1) & (p.PAIR_SLOTS - 1)
    many = s[p.PAIRS]
    if many >= p.MOST_PAIRS:
        return -1
    one = p.PAIR_SLOTS + many * 2
    pairs[place], pairs[one], pairs[one + 1] = many, first, later
    s[p.PAIRS] += 1
    return int(p.MOST_CLASSES + many)
