"""Numbers and addresses that stand before a frame, written as its octets are.

    rx 33 48 ea 00 b7 51 ff ff ...         33 octets stand behind it
    00124b0014b5d988 48ea00b751ffff...     an EUI-64 in one piece, and a frame in one

They are none of its octets where those behind them are like a frame, and all together are not, or where those
alone end with their check sequence; once that was so behind a label, also where both are.
"""

from collections.abc import Iterable, Iterator

from lowpanbudget.capture.files.hex_rows import OctetLine
from lowpanbudget.capture.files.labels import fixed_label
from lowpanbudget.capture.files.likeness import Likeness, likeness

_MOST_LABELS = 256  # our choice


def without_leading(lines: Iterable[OctetLine]) -> Iterator[OctetLine]:
    """Yield lines, in the label what stands there but is no octet of a frame."""
    sure: set[tuple[str, int]] = set()
    for one in lines:
        leading = one.found.leading
        if not leading:
            yield one
            continue
        place = fixed_label(one.found.label), leading
        like, as_one = likeness(one.octets[leading:]), likeness(one.octets)
        # a number that is right by chance is rare, and a header behind it too
        least = Likeness.HEADER if leading == 1 else Likeness.READ
        is_frame = like >= least and as_one == Likeness.NONE
        if as_one < like == Likeness.SOUND or is_frame:
            if len(sure) < _MOST_LABELS:
                sure.add(place)
            yield _shortened(one)
        elif place in sure and as_one <= like:
            yield _shortened(one)
        else:
            yield one


def _shortened(one: OctetLine) -> OctetLine:
    found, leading = one.found, one.found.leading
    label = f"{found.label} {one.octets[:leading].hex()}"
    return one._replace(
        found=found._replace(octets=one.octets[leading:], label=label, is_alone=False, leading=0)
    )
