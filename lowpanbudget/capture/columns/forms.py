"""What the headers of a frame's front look like by their first words, found out by reading such headers."""

from functools import cache

from lowpanbudget.bits import Reader
from lowpanbudget.capture.columns import places as p
from lowpanbudget.errors import WireError
from lowpanbudget.layers.link import auxiliary
from lowpanbudget.layers.link.elements import HEADER, Element, decode_header_ies
from lowpanbudget.layers.link.fcs import fcs
from lowpanbudget.layers.link.leading import read_leading

_MOST = 130  # octets that no header in question exceeds


def frame_control(word: int) -> int:
    """Return what a frame control says: octets up to the addresses' end, then bits for number, security and elements.

    ``UNKNOWN`` for one that cannot be read, or that has another form than two octets.
    """
    reader = Reader(word.to_bytes(2, "little") + bytes(_MOST))
    try:
        form, sequence, *_ = read_leading(reader)
    except WireError:
        return p.UNKNOWN
    if form.octets != 2:
        return p.UNKNOWN
    return reader.pos | (sequence is not None) << 8 | form.secured << 9 | form.ie_present << 10


def security_control(octet: int) -> int:
    """Return what a security control says: octets of header and MIC, where the counter is, what is sealed."""
    reader = Reader(bytes([octet]) + bytes(_MOST))
    security = auxiliary.decode(reader)
    counter = next((place.start for place in reader.free), 0)
    return (
        reader.pos
        | len(security.mic) << 8
        | counter << 16
        | security.protection.encrypted << 24
        | (security.level > 0) << 25
    )


def element_head(word: int) -> int:
    """Return what the head of a header IE says: octets of the element, and whether it is the last."""
    length = HEADER.head.split(word)["length"]
    reader = Reader(word.to_bytes(2, "little") + bytes(length + 2))  # and the head of one more
    read: list[Element] = []
    is_last = False
    try:
        decode_header_ies(reader, read)
        is_last = len(read) == 1
    except WireError:
        pass  # a head of another kind: nothing was read
    return 2 + len(read[0].content) | is_last << 8 if read else p.UNKNOWN


@cache
def sums_of_octets() -> tuple[int, ...]:
    """Return the FCS of each octet, with 0 to 7 zero octets behind it: that of more is the sum of theirs."""
    return tuple(
        int.from_bytes(fcs(bytes([octet]) + bytes(behind)), "little")
        for behind in range(8)
        for octet in range(256)
    )
