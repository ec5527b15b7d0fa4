"""Who sent an acknowledgement that names no sender: whoever a frame that was just read went to."""

from collections.abc import Iterator, Sequence

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.stack.frame import Frame
from lowpanbudget.values import replace

FRAMES = 8  # among which the one that is acknowledged is looked for: other channels may be captured as well
# longer than any acknowledgement takes, shorter than to the next frame of a number
_ACKNOWLEDGED_NS = 10**8
_ALONE = (
    "an acknowledgement that names no sender: annotate and audit open it as that of the frame before, a survey reads "
    "each frame for itself"
)


def asked(last: Sequence[Sighting], sighting: Sighting, mac: Mac) -> Iterator[bytes]:
    """Yield who the ``last`` frames went to that an acknowledgement may be for, the latest first."""
    now = sighting.record.time_ns
    for before in reversed(last):
        frame = None if before.example is None else before.example.mac
        if before is sighting or frame is None or frame.destination is None:
            continue
        if not frame.ack_request or before.sequence != mac.sequence:
            continue
        then = before.record.time_ns
        if now is None or then is None or 0 <= now - then <= _ACKNOWLEDGED_NS:
            yield frame.destination


def alone(frame: Frame, asn: int | None) -> Frame:
    """Return an acknowledgement that stays sealed for want of its sender, with a notice that says why."""
    security = None if frame.mac is None else frame.mac.security
    if security is None or (security.is_by_slot and asn is None):
        return frame  # who sent it would not help
    notices = tuple(
        one._replace(text=_ALONE, hint="") if one.name == "nonce-unknown" else one
        for one in frame.notices
    )
    return replace(frame, notices=notices)
