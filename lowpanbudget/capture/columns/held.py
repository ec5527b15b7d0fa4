"""Datagrams in fragments as the counting loop holds them: entries by key, each with a chain of its parts.

Plain functions over arrays, compiled where numba is there.
"""

from lowpanbudget.capture.columns import places as p
from lowpanbudget.capture.columns.words import FACTOR_A, Numbers, Octets, agree, mixed


def chain_of(ends_at: int, word: int) -> int:
    """Return where the entries of a key are linked."""
    return mixed(ends_at, word & 0xFFFFFFFF, FACTOR_A) & (p.CHAINS - 1)


def entry_of(chains: Numbers, entries: Numbers, ends_at: int, word: int) -> int:
    """Return the entry of a key, or -1."""
    entry = chains[chain_of(ends_at, word)]
    while entry >= 0 and (entries[entry + p.E_ENDS] != ends_at or entries[entry + p.E_KEY] != word):
        entry = entries[entry + p.E_NEXT]
    return int(entry)


def begins(
    s: Numbers, entries: Numbers, ring: Numbers, parts: Numbers, chains: Numbers, entry: int, now: int, size: int
) -> bool:  # fmt: skip
    """Return whether a first fragment begins a datagram that can be held, in place of its entry if it has one."""
    if s[p.OPEN] >= s[p.ROOM] or s[p.OPEN_OCTETS] + size > s[p.ROOM_OCTETS]:
        return False
    if entry >= 0:
        state = entries[entry + p.E_STATE]
        if state == p.E_OPEN:
            return False
        if state == p.E_OWNED and now - entries[entry + p.E_LAST] <= 2 * s[p.TIMEOUT]:
            return False
    elif s[p.FREE_ENTRY] < 0 and not forget(s, entries, ring, parts, chains):
        return False
    return has_part(s, entries, ring, parts, chains)


def has_part(s: Numbers, entries: Numbers, ring: Numbers, parts: Numbers, chains: Numbers) -> bool:
    """Return whether there is a place for a part, for which the oldest whole datagrams are forgotten."""
    while s[p.FREE_PART] < 0 or s[p.NEWEST] - s[p.OLDEST] >= p.RING:
        if not forget(s, entries, ring, parts, chains):
            return False
    return True


def forget(s: Numbers, entries: Numbers, ring: Numbers, parts: Numbers, chains: Numbers) -> bool:
    """Forget the whole datagram that was kept longest; return whether there was one."""
    while s[p.OLDEST] < s[p.NEWEST]:
        place = (s[p.OLDEST] % p.RING) * 2
        entry, began = ring[place], ring[place + 1]
        s[p.OLDEST] += 1
        if entries[entry + p.E_STATE] == p.E_WHOLE and entries[entry + p.E_STARTED] == began:
            release(s, entries, parts, chains, entry)
            return True
    return False


def release(s: Numbers, entries: Numbers, parts: Numbers, chains: Numbers, entry: int) -> None:
    """Make an entry and its parts free."""
    free_parts(s, entries, parts, entry)
    link = chain_of(entries[entry + p.E_ENDS], entries[entry + p.E_KEY])
    other = chains[link]
    if other == entry:
        chains[link] = entries[entry + p.E_NEXT]
    else:
        while entries[other + p.E_NEXT] != entry:
            other = entries[other + p.E_NEXT]
        entries[other + p.E_NEXT] = entries[entry + p.E_NEXT]
    entries[entry + p.E_STATE] = p.E_FREE
    entries[entry + p.E_NEXT] = s[p.FREE_ENTRY]
    s[p.FREE_ENTRY] = entry


def free_parts(s: Numbers, entries: Numbers, parts: Numbers, entry: int) -> None:
    """Make the parts of an entry free."""
    if entries[entry + p.E_FIRST] >= 0:
        parts[entries[entry + p.E_NEWEST] + p.P_NEXT] = s[p.FREE_PART]
        s[p.FREE_PART] = entries[entry + p.E_FIRST]
        entries[entry + p.E_FIRST] = entries[entry + p.E_NEWEST] = -1


def new_entry(s: Numbers, chains: Numbers, entries: Numbers, ends_at: int, word: int) -> int:
    """Return a free entry, linked under a key."""
    entry = s[p.FREE_ENTRY]
    s[p.FREE_ENTRY] = entries[entry + p.E_NEXT]
    link = chain_of(ends_at, word)
    entries[entry + p.E_NEXT] = chains[link]
    chains[link] = entry
    entries[entry + p.E_ENDS], entries[entry + p.E_KEY] = ends_at, word
    entries[entry + p.E_STATE] = p.E_FREE
    entries[entry + p.E_FIRST] = entries[entry + p.E_NEWEST] = -1
    return int(entry)


def begin_entry(
    s: Numbers, entries: Numbers, parts: Numbers, entry: int, found: int, now: int
) -> None:
    """Begin a datagram."""
    free_parts(s, entries, parts, entry)
    entries[entry + p.E_STATE] = p.E_OPEN
    entries[entry + p.E_STARTED] = now
    entries[entry + p.E_CLASS] = found
    entries[entry + p.E_RECEIVED] = entries[entry + p.E_OCTETS] = entries[entry + p.E_PARTS] = 0
    s[p.OPEN] += 1


def keep_part(
    s: Numbers, entries: Numbers, parts: Numbers, part_octets: Octets, entry: int, body: Octets, begin: int, size: int,
    found: int, frame: int, number: int, now: int,
) -> None:  # fmt: skip
    """Keep a fragment of an open datagram, for the case that somebody must follow it frame by frame."""
    part = s[p.FREE_PART]
    s[p.FREE_PART] = parts[part + p.P_NEXT]
    parts[part + p.P_NEXT] = -1
    parts[part + p.P_NUMBER], parts[part + p.P_TIME] = number, now
    parts[part + p.P_CLASS], parts[part + p.P_LENGTH] = found, size
    parts[part + p.P_FRAME] = frame
    place = part // p.P_FIELDS * p.PART_OCTETS
    for i in range(size):
        part_octets[place + i] = body[begin + i]
    newest = entries[entry + p.E_NEWEST]
    if newest >= 0:
        parts[newest + p.P_NEXT] = part
    else:
        entries[entry + p.E_FIRST] = part
    entries[entry + p.E_NEWEST] = part
    entries[entry + p.E_PARTS] += 1
    entries[entry + p.E_OCTETS] += size
    entries[entry + p.E_LAST] = now


def holds(
    entries: Numbers, parts: Numbers, part_octets: Octets, entry: int, found: int, body: Octets, begin: int, size: int
) -> bool:  # fmt: skip
    """Return whether a fragment of a class is held of a datagram, with the same octets."""
    part = entries[entry + p.E_FIRST]
    while part >= 0:
        if parts[part + p.P_CLASS] == found and parts[part + p.P_LENGTH] == size:
            place = part // p.P_FIELDS * p.PART_OCTETS
            if agree(part_octets, place, body, begin, size):
                return True
        part = parts[part + p.P_NEXT]
    return False


def end_entry(s: Numbers, entries: Numbers, ring: Numbers, entry: int, state: int) -> None:
    """Say that an open datagram is open no longer; a whole one is kept until others need its place."""
    s[p.OPEN] -= 1
    s[p.OPEN_OCTETS] -= entries[entry + p.E_RECEIVED]
    entries[entry + p.E_STATE] = state
    if state == p.E_WHOLE:
        place = (s[p.NEWEST] % p.RING) * 2
        ring[place], ring[place + 1] = entry, entries[entry + p.E_STARTED]
        s[p.NEWEST] += 1
