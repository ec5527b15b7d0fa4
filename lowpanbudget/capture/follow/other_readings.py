"""A frame that stands alone and cannot be read to its end: which other reading of its octets can. Each is tried.

Nothing is proposed where its FCS matches: then the frame came whole, and whoever sent it is wrong.
"""

from collections.abc import Iterator

from lowpanbudget.errors import Truncated, plural
from lowpanbudget.layers.link.fcs import LENGTHS, fcs
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.stack.decoder import Decoder
from lowpanbudget.stack.frame import Frame
from lowpanbudget.values import replace

_PHR_LENGTH = 0x7F  # of the PHR of O-QPSK and BPSK (IEEE 802.15.4-2020 clause 12.1.3, from memory)
_SOME = b"\0\1"  # a link address, where it matters only that there is one
_CUT = (
    "The frame may be cut short: its FCS does not match, and no other reading fits (an FCS of other length or none, a "
    "PHR before it, a 6LoWPAN payload without MHR). Give all its octets; of a captured frame look at the snap length"
)


def advised(frame: Frame, decoder: Decoder, fcs_length: int) -> Frame:
    """Return a frame, of which the last ``fcs_length`` octets were taken for its FCS; its fault hints what to try."""
    fault, octets = frame.fault, frame.octets
    if fault is None or _matches(octets, fcs_length):
        return frame
    if fault.hint and not isinstance(fault, Truncated):
        return frame  # what is missing is known already
    fitting = next(_fitting(frame, decoder, fcs_length), "")
    hint = fitting or fault.hint or (_CUT if isinstance(fault, Truncated) else "")
    return replace(frame, fault=fault.but(hint=hint))


def _fitting(frame: Frame, decoder: Decoder, fcs_length: int) -> Iterator[str]:
    """Yield what to say about the readings that fit, the one first that least is by chance."""
    octets = frame.octets
    for length in LENGTHS:
        if _matches(octets, length):
            said = f"Its last {length} octets are an FCS that matches"
            yield f"{said}: say so (fcs {length})"
    behind = octets[1:]
    on_air = len(behind), len(behind) + 2  # a receiver may leave the FCS out
    if behind and octets[0] & _PHR_LENGTH in on_air:
        for length in (fcs_length, 0):
            if _matches(behind, length) or decoder.frame(behind, length).fault is None:
                wrong = "" if length == fcs_length else " and say that it has no FCS (fcs none)"
                said = f"Its first octet tells how many follow, {octets[0]}, as a PHR does"
                yield f"{said}: leave it out{wrong}"
    if fcs_length and decoder.frame(octets, 0).fault is None:
        said = (
            f"Read as a frame without FCS, its {plural(len(octets), 'octet')} make sense to the end"
        )
        yield f"{said}: say so where it has none (fcs none)"
    if _is_without_mhr(frame, decoder):
        yield (
            "It begins as a 6LoWPAN payload, and has no MHR before it: decompress reads such a payload, with the link "
            "addresses of its hop"
        )


def _matches(octets: bytes, length: int) -> bool:
    """Return whether the last octets are an FCS of this length, and there are some before it."""
    return 0 < length < len(octets) and fcs(octets[:-length], length) == octets[-length:]


def _is_without_mhr(frame: Frame, decoder: Decoder) -> bool:
    """Return whether a 6LoWPAN payload is more likely: no MHR was read, and what a payload wants is all there.

    The usual frame control of a data frame reads as a dispatch of RFC 6282 as well, so one that was read counts more.
    """
    mac = frame.mac
    if mac is not None and mac.fault is None and mac.frame_type == FrameType.DATA:
        return False
    read = decoder.lowpan(frame.octets, _SOME, _SOME)
    if read.fault is None:
        return read.datagram is not None
    return bool(read.fault.hint)  # a context or an address is missing, no octet
