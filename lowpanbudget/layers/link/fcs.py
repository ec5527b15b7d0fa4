"""The frame check sequence of IEEE 802.15.4: 2 octets (ITU-T CRC-16) or 4 (CRC-32, SUN and later PHYs).

IEEE 802.15.4-2015 clause 7.2.10, from memory. Both are sent least significant octet first.
"""

import binascii
import zlib
from itertools import product

from lowpanbudget.cites import ieee
from lowpanbudget.errors import RequestError, repeated

CITE = ieee(2015, "7.2.10")
LENGTHS = (0, 2, 4)
_REVERSED = bytes(int(f"{octet:08b}"[::-1], 2) for octet in range(256))


def fcs(octets: bytes, length: int = 2) -> bytes:
    """Return the check sequence of ``length`` 0, 2 or 4 octets in the order of the air.

    The 16-bit one is x^16 + x^12 + x^5 + 1 from zero, least significant bit first. The 32-bit one pads frames of under
    4 octets with zeros before the sum (from memory). Raises ``RequestError`` for another length.
    """
    if length == 2:
        # the library's CRC runs most significant bit first: reverse the bits going in and coming out
        crc = binascii.crc_hqx(octets.translate(_REVERSED), 0)
        return crc.to_bytes(2, "big").translate(_REVERSED)
    if length == 0:
        return b""
    if length == 4:
        return zlib.crc32(octets.ljust(4, b"\0")).to_bytes(4, "little")
    raise RequestError(f"an FCS has 0, 2 or 4 octets, not {repeated(length)}", cite=CITE)


def is_right(octets: bytes, length: int) -> bool:
    """Return whether octets end with their check sequence, of that length: the 16-bit sum over both leaves nothing."""
    if length == 2:
        return not binascii.crc_hqx(octets.translate(_REVERSED), 0)
    return fcs(octets[:-length], length) == octets[-length:]


# how senders and receivers go wrong (common practice, no source): what is summed in another bit order, from another
# start, inverted behind, and written in another order of the octets; the fewest of it first
_SLIPS = (
    "taken most significant bit first",
    "counted from 0xffff",
    "inverted at the end",
    "with its octets exchanged",
)
_WAYS = sorted(product((False, True), repeat=len(_SLIPS)), key=sum)[1:]


def fcs_slips(octets: bytes, sent: bytes) -> list[str]:
    """Return in words by which other sums 2 octets are a check sequence: a known one, and the right one but for bits.

    Frames that differ, and agree in one of them, have it not by chance.
    """
    bits = fcs_difference(octets, sent)
    return [*filter(None, [fcs_slip(octets, sent)]), differing(bits)] if bits else []


def fcs_slip(octets: bytes, sent: bytes) -> str:
    """Return in words by which known other sum 2 octets are a check sequence; nothing where by none."""
    if not fcs_difference(octets, sent):
        return ""
    way = next((way for way in _WAYS if _summed(octets, *way) == sent), ())
    return " and ".join(slip for slip, made in zip(_SLIPS, way, strict=False) if made)


def fcs_difference(octets: bytes, sent: bytes) -> int:
    """Return the bits in which 2 octets differ from the check sequence; 0 where they are it, or are not 2.

    The sum is linear: damage of the same bits, as far from the end, makes the same difference in every frame.
    """
    if len(sent) != 2:
        return 0
    return int.from_bytes(fcs(octets), "little") ^ int.from_bytes(sent, "little")


def differing(bits: int) -> str:
    """Return in words what check sequences are that all differ in these bits."""
    return f"that differs in the same bits in each, {bits:#06x}"


def _summed(octets: bytes, msb: bool, start: bool, inverted: bool, exchanged: bool) -> bytes:
    crc = binascii.crc_hqx(octets if msb else octets.translate(_REVERSED), 0xFFFF * start)
    two = (crc ^ 0xFFFF * inverted).to_bytes(2, "little" if msb else "big")
    two = two if msb else two.translate(_REVERSED)
    return two[::-1] if exchanged else two
