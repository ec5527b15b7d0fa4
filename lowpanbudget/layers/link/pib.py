"""What the MAC's attributes of access may be: those of its PIB (IEEE 802.15.4-2020 table 8-94; from memory).

The edition of 2015 has the same ranges (its table 8-81, from memory).
"""

from typing import NamedTuple


class Attribute(NamedTuple):
    """An attribute of the PIB, and which numbers it takes."""

    name: str
    least: int
    most: int


MIN_BE = Attribute("macMinBE", 0, 8)  # up to macMaxBE
MAX_BE = Attribute("macMaxBE", 3, 8)
BACKOFFS = Attribute("macMaxCSMABackoffs", 0, 5)
RETRIES = Attribute("macMaxFrameRetries", 0, 7)
