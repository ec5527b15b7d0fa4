"""The frame check sequence of IEEE 802.15.4: 2 octets (ITU-T CRC-16) or 4 (CRC-32, SUN and later PHYs).

IEEE 802.15.4-2015 clause 7.2.10, from memory. Both are sent least significant octet first.
"""

import binascii
import zlib

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
    if length == 0:
        return b""
    if length == 2:
        # the library's CRC runs most significant bit first: reverse the bits going in and coming out
        crc = binascii.crc_hqx(octets.translate(_REVERSED), 0)
        return crc.to_bytes(2, "big").translate(_REVERSED)
    if length == 4:
        return zlib.crc32(octets.ljust(4, b"\0")).to_bytes(4, "little")
    raise RequestError(f"an FCS has 0, 2 or 4 octets, not {repeated(length)}", cite=CITE)
