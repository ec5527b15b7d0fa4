"""How far octets of a text are like a frame, before anything else is known of the capture that they stand in."""

from enum import IntEnum

from lowpanbudget.capture.files.hex_groups import is_summed
from lowpanbudget.errors import WireError
from lowpanbudget.layers.link.control import CONTROL, FrameType, shape
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.stack.decoder import decode_frame
from lowpanbudget.stack.frame import Frame

_GENERAL = FrameType.COMMAND  # and those before it, whose version 2 has uses for all bits
_LATER = 2
_ACKNOWLEDGEMENTS = {3, 5}  # octets, without FCS and with what stands in its place


class Likeness(IntEnum):
    """What octets are: no frame by all one can see, such as may be one, read as one, or proved by a check sequence."""

    NONE, HEADER, READ, SOUND = range(4)


def likeness(octets: bytes) -> Likeness:
    """Return how far octets are like a frame. Of random ones less than one in ten has a header, one in 30 is read."""
    if is_summed(octets):
        return Likeness.SOUND
    if not may_begin(octets):
        return Likeness.NONE
    frame = decode_frame(octets, fcs=False)
    mac = frame.mac
    if mac is None or mac.fault is not None or not _is_usual(mac, len(octets)):
        return Likeness.NONE
    return Likeness.READ if _is_read(frame, mac) else Likeness.HEADER


def may_begin(octets: bytes) -> bool:
    """Return whether a frame may begin with these octets: its frame control has nothing that is reserved."""
    if len(octets) < CONTROL.octets:
        return False
    form = shape(*octets[: CONTROL.octets])
    reserved = CONTROL.split(int.from_bytes(octets[: CONTROL.octets], CONTROL.order))[
        "reserved 8-9"
    ]
    return (
        form.fault is None
        and form.frame_type <= _GENERAL
        and not (reserved and form.version < _LATER)
    )


def _is_usual(mac: Mac, count: int) -> bool:
    """Return whether a header has what its frame type wants (IEEE 802.15.4-2006 clause 7.2.2, from memory)."""
    if mac.frame_type == FrameType.BEACON:
        return mac.source is not None or (mac.later and mac.ie_present)
    if mac.later:
        return True
    if mac.frame_type == FrameType.ACKNOWLEDGEMENT:
        return count in _ACKNOWLEDGEMENTS
    return mac.source is not None or mac.destination is not None


def _is_read(frame: Frame, mac: Mac) -> bool:
    """Return whether all of a frame is known, or sealed, or lacks a context: of plain data that it is 6LoWPAN."""
    if frame.fault is not None:
        return (
            type(frame.fault) is WireError
        )  # not the octets are wrong: something beside them is not known
    if mac.frame_type != FrameType.DATA or mac.security is not None:
        return True
    return frame.datagram is not None or frame.fragment is not None
