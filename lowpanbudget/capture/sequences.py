"""What the air tells of one frame beside its contents: octets that were sent, numbers that are missing before it."""

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.recent import Recent
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.layers.link.stations import Station, station_of

ROWS_AFTER = 2  # turns to a row that was left, behind which two rows go on; our choice: an old frame is sent once
MOST_MISSING = 64  # more are no loss but a node that started anew, or one that was out of reach
NodeSequence = tuple[bool, Station]  # beacons, or all else, of a node
_NUMBERED = {FrameType.DATA, FrameType.COMMAND, FrameType.BEACON}


def octets_on_air(sighting: Sighting) -> int:
    """Return the octets of a frame as it was sent: with an FCS that was taken off and an end that was not captured."""
    if not sighting.octets and not sighting.left_out:
        return len(sighting.body.octets)
    return len(sighting.octets) + sighting.left_out + sighting.missing_fcs


def sequence_of(mac: Mac) -> NodeSequence | None:
    """Return the name of the sequence that a frame is numbered in; None where its sender does not tell it."""
    station = station_of(mac)
    if mac.frame_type not in _NUMBERED or station is None:
        return None
    # beacons count in a sequence of their own (macBsn; IEEE 802.15.4-2015 clause 7.2.2.7, from memory)
    return mac.frame_type == FrameType.BEACON, station


def noted(last: int, number: int, most: int) -> tuple[int, int]:
    """Return what to remember of a sequence after a number, and how many are missing before it.

    ``last`` is what was remembered, -1 for nothing: the number heard last; above 8 bits, plus 1, the one where the
    sequence may go on instead; above 9 more how often in turn it did. For a number may be that of an old frame which
    somebody sent once more, or of a node that started anew: the next one tells, which follows the one or the other.
    Where both go on in turns two devices have one address, each with a row of its own. The counting loop runs this too.
    """
    if last < 0:
        return number, 0
    newest, aside, turns = last & 0xFF, (last >> 8 & 0x1FF) - 1, last >> 17
    if number == newest:
        return last, 0
    missing = (number - newest - 1) & 0xFF
    if aside < 0:
        if missing <= most:
            return number, missing
        return number | (newest + 1) << 8, 0
    beside = (number - aside - 1) & 0xFF
    if number == aside:
        return (number | (newest + 1) << 8 | turns << 17 if turns >= ROWS_AFTER else number), 0
    if beside == 0 or (turns >= ROWS_AFTER and beside < missing and beside <= most):
        return number | (newest + 1) << 8 | min(turns + 1, ROWS_AFTER) << 17, beside
    if missing <= most:
        if turns >= ROWS_AFTER:
            return number | (aside + 1) << 8 | turns << 17, missing
        return number, min(missing, beside)
    if turns:  # the newest is the row that went on
        return number | (newest + 1) << 8, 0
    return (number, beside) if beside <= most else (number | (aside + 1) << 8, 0)


class LastNumbers(Recent[NodeSequence, int]):
    """What is remembered of each sequence, of the ``most`` that were heard last."""

    def take(self, sequence: NodeSequence, number: int) -> int:
        """Note a number of a sequence; return how many are missing before it."""
        last = self.get(sequence, -1)
        if number == last + 1 and number:  # as most are
            self.replace(sequence, number)
            self.move_to_end(sequence)
            return 0
        last, missing = noted(last, number, MOST_MISSING)
        self.renew(sequence, last)
        return missing


class SequenceGaps:
    """Tells what is missing in sequences, of which it remembers the ``most`` that were heard last.

    A number is missing when nobody heard it: the frame was lost, or its reception here.
    """

    def __init__(self, most: int) -> None:
        self.last = LastNumbers(most)

    def before(self, sequence: NodeSequence, number: int | None) -> int:
        """Return how many numbers of a sequence are missing before this one."""
        return 0 if number is None else self.last.take(sequence, number)

    def before_frame(self, sighting: Sighting) -> int:
        """Return how many numbers of its sender's sequence are missing before a frame; none before a damaged one."""
        mac = None if sighting.example is None else sighting.example.mac
        sequence = None if mac is None else sequence_of(mac)
        if sequence is None or sighting.fcs_ok is False:
            return 0
        return self.before(sequence, sighting.sequence)
