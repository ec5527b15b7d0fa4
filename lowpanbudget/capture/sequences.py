"""What the air tells of one frame beside its contents: octets that were sent, numbers that are missing before it."""

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.recent import Recent
from lowpanbudget.layers.link.mac import FrameType, Mac

MOST_MISSING = 64  # more are no loss but a node that started anew, or one that was out of reach
_NUMBERED = {FrameType.DATA, FrameType.COMMAND, FrameType.BEACON}


def octets_on_air(sighting: Sighting) -> int:
    """Return the octets of a frame as it was sent: with an FCS that was taken off and an end that was not captured."""
    if not sighting.octets:
        return len(sighting.body.octets)
    return len(sighting.octets) + sighting.left_out + sighting.missing_fcs


def sequence_of(mac: Mac) -> bytes | None:
    """Return the name of the sequence that a frame is numbered in; None where its sender does not tell it."""
    if mac.frame_type not in _NUMBERED or mac.source is None:
        return None
    # beacons count in a sequence of their own (macBsn; IEEE 802.15.4-2015 clause 7.2.2.7, from memory)
    return bytes([mac.frame_type == FrameType.BEACON]) + mac.source


class SequenceGaps:
    """Remembers the last number of each sequence, of the ``most`` that were heard last, and tells what is missing.

    A number is missing when nobody heard it: the frame was lost, or its reception here.
    """

    def __init__(self, most: int) -> None:
        self.last = Recent[bytes, int](most)

    def before(self, sequence: bytes, number: int | None) -> int:
        """Return how many numbers of a sequence are missing before this one."""
        if number is None:
            return 0
        last = self.last.renew(sequence, number)
        if last is None:
            return 0
        missing = (number - last - 1) & 0xFF
        return missing if missing <= MOST_MISSING else 0

    def before_frame(self, sighting: Sighting) -> int:
        """Return how many numbers of its sender's sequence are missing before a frame; none before a damaged one."""
        mac = None if sighting.example is None else sighting.example.mac
        sequence = None if mac is None else sequence_of(mac)
        if sequence is None or sighting.fcs_ok is False:
            return 0
        return self.before(sequence, sighting.sequence)
