"""Whether the UDP checksum of a datagram that was heard is right: "if it is not, the packet is dropped"."""

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.templates import WRONG_CHECKSUMS
from lowpanbudget.layers.internet import udp
from lowpanbudget.layers.internet.chain import ChainPlace


def is_sum_right(sighting: Sighting, datagram: bytes, place: ChainPlace) -> bool | None:
    """Return whether it is right as read here; None where it is elided, or cannot be tested."""
    if len(sighting.parts) < 2:
        if any(one.name in WRONG_CHECKSUMS for one in sighting.notices):
            return False
        example = sighting.example
        return None if example is None or example.checksum_elided else True
    segment = datagram[place.offset :]
    if len(segment) < udp.OCTETS or segment[6:8] == bytes(2):
        return None
    return udp.is_right_between(place.source, place.destination, segment)
