"""Runs of octets in the groups of a line: those that are written alike, with the same divider between them."""

from collections.abc import Iterator
from itertools import accumulate, pairwise, product

from lowpanbudget.capture.files.hex_groups import LEAST, LONG, DigitGroup, is_summed, octets_of

WIDTHS = {4, 8, 16}  # octets of a column
_MOST_BESIDE = 2  # numbers beside octets that look like more of them; our choice

Run = tuple[int, int]  # the first group of a run, and the one behind its last


def run_in(groups: list[DigitGroup], text: str) -> tuple[Run, list[Run]]:
    """Return the run that is the octets of a line, and all that there are."""
    runs = [(0, len(groups))] if _is_typed(groups, text) else _runs(groups, text)
    chosen = max(runs, key=lambda run: (_size(groups, run), run), default=(0, 0))
    if len(runs) > 1:
        # an address may be longer than an acknowledgement
        summed = (run for run in runs if is_summed(octets_of(groups[slice(*run)])))
        chosen = next(summed, chosen)
    if (alone := _long_alone(groups)) is not None:
        chosen = alone, alone + 1
    return _summed(groups, *chosen), runs


def cell_of(groups: list[DigitGroup], run: Run, text: str) -> Run:
    """Return the groups around a run that no border between cells parts from it."""
    first, end = run
    if first == end:
        return 0, len(groups)
    inside = set(text[groups[first].start : groups[end - 1].start])
    borders = {sign for signs in ("\t", ",;") if not inside & set(signs) for sign in signs}
    while first and not borders & set(text[groups[first - 1].end : groups[first].start]):
        first -= 1
    while end < len(groups) and not borders & set(text[groups[end - 1].end : groups[end].start]):
        end += 1
    return first, end


def has_columns(run: list[DigitGroup]) -> bool:
    """Return whether octets stand in two columns of eight."""
    if len(run) != 16 or any(len(group.text) != 2 for group in run):
        return False
    gaps = [after.start - before.start - 2 for before, after in pairwise(run)]
    return gaps[7] > gaps[0] and gaps.count(gaps[0]) == 14


def _size(groups: list[DigitGroup], run: Run) -> int:
    return sum(len(group.octets) for group in groups[slice(*run)])


def _is_typed(groups: list[DigitGroup], text: str) -> bool:
    """Return whether a line is nothing but octets with blanks between: they are one frame, whatever their forms."""
    if len({one.bare[:2].lower() == "0x" for one in groups}) > 1:
        return False
    between = (text[one.end : after.start] for one, after in pairwise(groups))
    return all(one.octets and one.form != ":" for one in groups) and not "".join(between).strip(" ")


def _runs(groups: list[DigitGroup], text: str) -> list[Run]:
    """Return where octets that are alike follow each other: the first, and the one behind the last."""
    runs: list[Run] = []
    first: int | None = None
    for index, group in enumerate([*groups, DigitGroup("", len(text), b"")]):
        if first is not None and not (group.octets and _goes_on(groups, first, index)):
            runs += _pieces(groups, first, index, text)
            first = None
        if group.octets and first is None:
            first = index
    return runs


def _goes_on(groups: list[DigitGroup], first: int, index: int) -> bool:
    """Return whether a group is written as those before it; the last octet may stand alone behind longer groups."""
    if len(groups[index].text) == len(groups[index - 1].text) == 2:
        return True
    if groups[index].form == groups[index - 1].form:
        return groups[index].form != ":"
    is_last = index + 1 == len(groups) or not groups[index + 1].octets
    sizes = {len(group.octets) for group in groups[first:index]}
    return is_last and not groups[index].form and len(sizes) == 1 and sizes <= {2, 4}


def _pieces(groups: list[DigitGroup], first: int, end: int, text: str) -> Iterator[Run]:
    """Yield the parts of a run that other dividers than those between its octets part from each other."""
    inside = set(text[groups[first].start : groups[end - 1].start])
    for border in ("\t", ",;"):
        if not inside & set(border):
            continue
        starts = [
            index
            for index in range(first + 1, end)
            if set(border) & set(text[groups[index - 1].end : groups[index].start])
        ]
        parts = list(pairwise([first, *starts, end]))
        if not starts:
            continue
        sizes = [_size(groups, part) for part in parts]
        is_single = len(starts) == end - first - 1
        is_alike = len(set(sizes[:-1])) == 1 and sizes[-1] <= sizes[0]
        if is_alike and (sizes[0] < LONG if is_single else sizes[0] in WIDTHS):
            break
        for part in parts:
            yield from _pieces(groups, *part, text)
        return
    yield first, end


def _long_alone(groups: list[DigitGroup]) -> int | None:
    """Return which group is long where all others are words, or numbers before it."""
    long = [index for index, group in enumerate(groups) if len(group.octets) >= LONG]
    if len(long) != 1:
        return None
    (at,) = long
    before, behind = groups[:at], groups[at + 1 :]
    if any(group.octets and not group.is_decimal for group in before):
        return None
    if any(group.octets for group in behind):
        return None
    # the frame control field may stand apart: of a number of four digits a check sequence is to prove that it is one
    is_control = len(groups) == 2 and len(before) == 1 and len(before[0].octets) == 2
    return None if is_control and not is_summed(groups[at].octets) else at


def _summed(groups: list[DigitGroup], first: int, end: int) -> Run:
    """Return a run with or without the numbers beside it, of which the check sequence proves that they are octets."""
    octets = octets_of(groups[first:end])
    if end - first == len(groups) or len(octets) < LEAST or is_summed(octets):
        return first, end
    outer_first, outer_end = first, end
    while outer_first and first - outer_first < _MOST_BESIDE and groups[outer_first - 1].octets:
        outer_first -= 1
    while outer_end < len(groups) and outer_end - end < _MOST_BESIDE and groups[outer_end].octets:
        outer_end += 1
    inner_first, inner_end = first, end
    while (
        inner_first - first < _MOST_BESIDE
        and groups[inner_first].is_decimal
        and inner_first < end - 1
    ):
        inner_first += 1
    while (
        end - inner_end < _MOST_BESIDE
        and groups[inner_end - 1].is_decimal
        and inner_end > inner_first + 1
    ):
        inner_end -= 1
    octets = octets_of(groups[outer_first:outer_end])
    at = [0, *accumulate(len(group.octets) for group in groups[outer_first:outer_end])]
    for start, stop in product(
        range(outer_first, inner_first + 1), range(inner_end, outer_end + 1)
    ):
        if is_summed(octets[at[start - outer_first] : at[stop - outer_first]]):
            return start, stop
    return first, end
