"""What should have been an octet in a line of text: a digit lost, a letter for a digit, numbers in decimal.

It counts among or behind octets, where the line can only be meant as such; not in prose.
"""

import re
from itertools import pairwise
from typing import NamedTuple

from lowpanbudget.capture.files.hex_groups import (
    LEAST,
    LONG,
    OPEN,
    DigitGroup,
    is_summed,
    may_be_named,
    octets_of,
)
from lowpanbudget.errors import plural

_NO_TEXT = "\ufffd"  # stands for octets that are no UTF-8
_LEAST_PARTED = 5  # octets around what is none; our choice
_ADDRESS = 8  # octets of one in a group of its own
_FIELD = 4  # digits of a field in a frame that may look like a decimal number; our choice
_ODD = re.compile(r"(?:0[xX])?[0-9a-fA-F](?:[0-9a-fA-F]{2})*")
_HEX = set("0123456789abcdefABCDEF")
_MISSING = re.compile(r"[xX?*_.\u2026]+|--+")
_LIKE_DIGITS = set("OoIlL?*")


class OctetSlip(NamedTuple):
    """What stands where an octet should: why it is none, and its column from 0."""

    column: int
    text: str


def slip_in(
    groups: list[DigitGroup],
    chosen: tuple[int, int],
    runs: list[tuple[int, int]],
    cell: tuple[int, int],
) -> OctetSlip | None:
    """Return why the chosen run is not all of the octets in a line; not where a check sequence proves it."""
    first, end = chosen
    octets = octets_of(groups[first:end])
    others = [run for run in runs if run[1] <= chosen[0] or run[0] >= chosen[1]]
    if is_summed(octets):
        others = [run for run in others if is_summed(octets_of(groups[slice(*run)]))]
        return _apart(groups, chosen, others)
    near, at = groups[slice(*cell)], (first - cell[0], end - cell[0])
    if slip := _beside(near, *at):
        return slip
    form = groups[chosen[0]].form if octets else ""
    is_frame = end - first == 1 and len(octets) >= LONG
    if len(octets) >= LEAST and not is_frame and (slip := _otherwise(near, *at)):
        return slip
    others = [run for run in others if groups[run[0]].form == form]
    for start, stop in pairwise(sorted([chosen, *others])):
        gap = groups[start[1] : stop[0]]
        if len(octets) >= LEAST and len(gap) == 1 and _MISSING.fullmatch(gap[0].text):
            return OctetSlip(gap[0].start, f"{gap[0].text!r} stands where octets are missing")
    sizes = [len(octets_of(groups[slice(*run)])) for run in others]
    is_number = [run[1] - run[0] == 1 and groups[run[0]].is_decimal for run in others]
    is_more = [
        size >= LEAST and not number and not (form and size == _ADDRESS)
        for size, number in zip(sizes, is_number, strict=True)
    ]
    return _apart(groups, chosen, [run for run, more in zip(others, is_more, strict=True) if more])


def _beside(groups: list[DigitGroup], first: int, end: int) -> OctetSlip | None:
    """Return what should have been an octet beside the run, or in the place of all."""
    run = groups[first:end]
    if sum(len(group.octets) for group in run) < LEAST:
        least = 2 * (LEAST if len(groups) == 1 else LONG)
        meant = [one for one in groups if len(one.text) > least and not one.is_decimal]
        for group in meant:
            if slip := _half(group) or _garbled(group, len(group.text)):
                return slip
    if not run:
        return None
    for group in [*groups[max(first - 1, 0) : first], *groups[end : end + 1]]:
        if _NO_TEXT in group.bare:
            return OctetSlip(group.start, "octets that are no text")
        if group.bare == "??":
            return OctetSlip(group.start, "'?' is no hex digit: octets are missing there")
    if len(run[0].octets) >= LONG:
        beside = [*groups[max(first - 1, 0) : first], *groups[end : end + 1]]
        return next(filter(None, map(_half_frame, beside)), None)
    if not _are_octets(groups, first, end):
        return None
    if first and may_be_named(groups[first - 1].text):
        text = "what stands behind '=' may be an octet or a number: put a blank between them"
        return OctetSlip(groups[first - 1].start, text)
    if end < len(groups):
        if groups[end].text in OPEN and groups[end].start == run[-1].end:
            return OctetSlip(groups[end].start, f"{groups[end].text!r} is no hex digit")
        is_between = end + 1 < len(groups) and bool(groups[end + 1].octets)
        if slip := _wrong(groups[end], run[-1], groups, between=is_between):
            return slip
    if first:
        is_between = (
            first > 1 and bool(groups[first - 2].octets) and groups[first - 2].form == run[0].form
        )
        if is_between or set(groups[first - 1].text) & _LIKE_DIGITS:
            return _wrong(groups[first - 1], run[0], groups, between=is_between)
    return None


def _apart(
    groups: list[DigitGroup], chosen: tuple[int, int], others: list[tuple[int, int]]
) -> OctetSlip | None:
    if not others:
        return None
    text = "more octets stand apart from the others: write a frame a line"
    return OctetSlip(groups[max(chosen, others[0])[0]].start, text)


def _otherwise(groups: list[DigitGroup], first: int, end: int) -> OctetSlip | None:
    """Return which group right beside octets is like some too, and written otherwise: fields of a frame, perhaps."""
    for before, after in ((first - 1, first), (end - 1, end)):
        if before < 0 or after == len(groups) or groups[before].end + 1 != groups[after].start:
            continue
        other = groups[before] if after == first else groups[after]
        is_number = other.is_decimal and len(other.text) > _FIELD
        forms = {other.form, groups[first].form}
        if other.octets and len(forms) == 2 and ":" not in forms and not is_number:
            text = f"{other.text[:16]!r} is written otherwise than the octets beside it"
            return OctetSlip(other.start, text)
    return None


def _are_octets(groups: list[DigitGroup], first: int, end: int) -> bool:
    """Return whether a run, and what half octets part from it, can only be meant as octets, and is no prose."""
    while first and (groups[first - 1].octets or len(groups[first - 1].text) <= LEAST):
        first -= 1
    while end < len(groups) and (groups[end].octets or len(groups[end].text) <= LEAST):
        end += 1
    count = sum(len(group.octets) for group in groups[first:end])
    return count >= _LEAST_PARTED or (count > 0 and end - first == len(groups))


def _wrong(
    group: DigitGroup, beside: DigitGroup, groups: list[DigitGroup], *, between: bool
) -> OctetSlip | None:
    """Return why a group beside octets is none, where it is like one."""
    if group.text.endswith(":"):
        return None
    if _ODD.fullmatch(group.text):
        if _are_decimal(groups):
            return OctetSlip(
                group.start, "octets in decimal: they are to be written in hex, two digits each"
            )
        return _half(group)
    size = len(beside.text)
    others = [char for char in group.text if char not in _HEX]
    if between and others and len(group.text) == size and set(others) <= _LIKE_DIGITS:
        at = group.text.index(others[0])
        return OctetSlip(group.start + at, f"{others[0]!r} is no hex digit")
    return _garbled(group, size) if abs(len(group.text) - size) <= 1 else None


def _are_decimal(groups: list[DigitGroup]) -> bool:
    numbers = [group.text for group in groups if group.text.isdecimal()]
    is_hex = any(group.octets and not group.is_decimal for group in groups)
    is_octet = any(len(one) == 3 and one <= "255" for one in numbers)
    return is_octet and not is_hex and len(numbers) >= _LEAST_PARTED


def _half(group: DigitGroup) -> OctetSlip | None:
    bare = group.bare
    if not _ODD.fullmatch(bare):
        return None
    digits = len(bare) - 2 * bare.lower().startswith("0x")
    return OctetSlip(group.start, f"{plural(digits, 'hex digit')}, half an octet too many")


def _half_frame(group: DigitGroup) -> OctetSlip | None:
    """Return why a group beside a long one is none, where it is as long as no number is."""
    return _half(group) if len(group.text) > 2 * LEAST and not group.is_decimal else None


def _garbled(group: DigitGroup, size: int) -> OctetSlip | None:
    """Return which character of a group is no digit, where most are and a word would look otherwise."""
    bare = group.bare.removeprefix("0x")
    others = [char for char in bare if char not in _HEX]
    is_digits = any(char.isdecimal() or char in "?*" for char in bare)
    is_plain = all(char.isalnum() or char in "?*~_" or ord(char) > 127 for char in others)
    most = len(bare) // 8 if size > 2 * LEAST else len(bare) // 2
    if not others or not is_digits or not is_plain or len(bare) < 2 or len(others) > most:
        return None
    return OctetSlip(group.start + group.text.index(others[0]), f"{others[0]!r} is no hex digit")
