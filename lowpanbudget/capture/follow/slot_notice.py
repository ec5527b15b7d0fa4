"""What is noticed of a frame that was opened with a slot number which the capture does not tell."""

from lowpanbudget.layers.link.nonces import NONCE
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.values import replace

SLOT_RECKONED = "slot-reckoned"
_TEXT = (
    "the capture does not tell the absolute slot number: it was reckoned from beacons and times, and the integrity "
    "code is right with it"
)
_NOTICE = Notice(SLOT_RECKONED, _TEXT, NONCE)


def as_reckoned(frame: Frame) -> Frame:
    """Return the frame with a notice that says so."""
    return replace(frame, notices=(*frame.notices, _NOTICE))
