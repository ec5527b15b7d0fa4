"""What was opened under a key that nothing proves: what is read in noise is evidence of nothing."""

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.findings import checksum
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.proof import KEY_UNPROVEN, is_unproven
from lowpanbudget.values import replace


def evident(sighting: Sighting) -> Frame:
    """Return what a sighting's frame proves: of one that no proven key opened what stands before its payload.

    The checksum of a datagram that it completes proves the key as well.
    """
    frame = sighting.example
    if frame is None:
        return Frame(sighting.octets)
    if not frame.notices or frame.mac is None or not is_unproven(frame.notices):
        return frame
    if sighting.datagram is not None and checksum.is_right(sighting.datagram):
        return frame
    start = frame.mac.header_length
    notices = [one for one in frame.notices if one.offset < start or one.name == KEY_UNPROVEN]
    if frame.fault is not None:
        text = f"not judged, as nothing proves the key: {frame.fault.message}"
        notices = [n._replace(text=text) if n.name == KEY_UNPROVEN else n for n in notices]
    return replace(
        frame, heads=frame.heads[:1], values=(), notices=tuple(notices), datagram=None, fragment=None,
        fragment_octets=b"", link_source=frame.mac.source, link_destination=frame.mac.destination, fault=None,
    )  # fmt: skip
