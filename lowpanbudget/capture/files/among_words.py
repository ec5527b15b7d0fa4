"""Octets that stand among the words of a log and are no frame: addresses, sums, times of day, words such as "face".

radio: rx 41 88 2a cd ab 01 00 17 00 7e      a frame, and after it whatever stands behind these words
net: ext 02 12 4b 00 14 b5 d9 a1             fewer octets than a frame of data has, and no frame control
"""

import re
from collections.abc import Iterable, Iterator

from lowpanbudget.capture.files.hex_rows import OctetLine
from lowpanbudget.errors import plural
from lowpanbudget.layers.link.control import CONTROL, FrameType, shape

# frame control, sequence number, PAN ID and two short addresses (IEEE 802.15.4-2006 clause 7.2.1): of data, and less
# than any command or beacon has
_SHORTEST = 9
_GENERAL = FrameType.COMMAND  # and those before it, whose version 2 has uses for all bits
_LATER = 2
_NUMBER = re.compile(r"[-+]?[\d.]+")
_MOST_LABELS = 256


def told_apart(lines: Iterable[OctetLine]) -> Iterator[OctetLine]:
    """Yield lines, without the octets of those that are no frame by all one can see, and the reason in their place."""
    labels: set[str] = set()  # behind which frames stood
    for one in lines:
        octets, found = one.octets, one.found
        label = _NUMBER.sub("", found.label).rstrip(" :")
        if len(octets) >= _SHORTEST or one.is_sound:
            if len(labels) < _MOST_LABELS:
                labels.add(label)
        elif octets and not (found.is_alone or label in labels or _may_begin(octets)):
            why = (
                f"has no frame: {plural(len(octets), 'octet')} among words, which none begins with"
            )
            yield one._replace(found=found._replace(octets=b"", why=why))
            continue
        yield one


def _may_begin(octets: bytes) -> bool:
    """Return whether a frame may begin with these octets: its frame control has nothing that is reserved."""
    if len(octets) < CONTROL.octets:
        return False
    form = shape(*octets[: CONTROL.octets])
    reserved = CONTROL.split(int.from_bytes(octets[: CONTROL.octets], CONTROL.order))[
        "reserved 8-9"
    ]
    return (
        form.fault is None
        and form.frame_type <= _GENERAL
        and not (reserved and form.version < _LATER)
    )
