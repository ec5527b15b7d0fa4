"""Whether an FCS is there, stripped, or replaced by radio status: tested over the first frames of a capture.

A link type says whether it is; receivers that overwrite or drop it say the same. A 16-bit FCS matches by chance in one
frame of 65536, so a few frames decide. Of frames without FCS the transport checksum and the length of acknowledgements
decide whether octets of radio status stand in its place, but where they follow from the frame by another sum.
"""

from collections import Counter
from collections.abc import Callable, Iterable
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.errors import WireError, plural
from lowpanbudget.layers.link import mac
from lowpanbudget.layers.link.fcs import fcs, fcs_slips
from lowpanbudget.layers.link.mac import FrameType

WINDOW = 64  # frames that are looked at before the first is handed on
_LEAST = 3  # fewer frames prove nothing against the link type
_CRC_OK = 0x80  # the usual status: signal strength, then link quality with this bit (common practice, no source)

_MOST_AHEAD = 16  # octets in front of a frame that are looked behind; our choice

PRESENT, ABSENT, STRIPPED, STATUS, OTHERWISE, AHEAD, UNCLEAR = (
    "present",
    "absent",
    "stripped",
    "radio status",
    "summed otherwise",
    "octets ahead",
    "unclear",
)


class FcsVerdict(NamedTuple):
    """What stands at the end of the frames of a link type.

    ``state`` is "present", "absent" (as the link type says), "stripped", "radio status", "summed otherwise" (what
    stands there follows from the frame, but by another sum), "octets ahead" (it is right over what stands behind some
    octets at the start) or "unclear". ``octets`` are those of the FCS, 0 without;
    ``status`` how many octets of something else, such as radio status, end each frame. ``matched`` of ``tested``
    frames had a right FCS of that length. ``text`` says it for people. ``claimed`` is what the link type says.
    """

    state: str
    octets: int
    status: int
    tested: int
    matched: int
    text: str
    claimed: int | None = None

    @property
    def as_claimed(self) -> bool:
        """Return whether the link type tells the truth, as far as it could be tested."""
        return self.status == 0 and self.claimed in (None, self.octets)


def judge(
    frames: Iterable[bytes], claimed: int | None, fits: Callable[[bytes], bool | None]
) -> FcsVerdict:
    """Return what stands at the end of these frames.

    ``claimed``: octets of FCS by the link type, or None. ``fits`` tells of a frame without FCS whether its transport
    checksum or integrity code is right (None: it has none that can be tested).
    """
    usable = [frame for frame in frames if len(frame) >= 3]
    tested = len(usable)
    matched = {length: _matching(usable, length) for length in (2, 4)}
    best = 4 if matched[4] > matched[2] else 2
    if claimed and matched[claimed] >= matched[best]:
        best = claimed
    if tested >= _LEAST and not any(matched.values()):
        ahead = _ahead(usable)
        if ahead:
            text = (
                f"the FCS is right in none of {tested} frames, and in most of them behind {ahead}"
            )
            return FcsVerdict(AHEAD, 0, 0, tested, 0, text, claimed)
    if claimed in (None, 2) and tested >= _LEAST and matched[best] * 2 < tested:
        slip = _slip(usable)
        if slip:
            text = f"the FCS is right in {matched[2] or 'none'} of {tested} frames: what stands there is one {slip}"
            return FcsVerdict(OTHERWISE, 0, 2, tested, matched[2], text, claimed)
    if matched[best] and (claimed or matched[best] * 2 >= tested):
        differs = claimed is not None and best != claimed
        text = f"an FCS of {best} octets is right in {matched[best]} of {tested} frames"
        if differs:
            text += f", though the link type says {claimed} octets"
        return FcsVerdict(PRESENT, best, 0, tested, matched[best], text, claimed)
    if claimed == 0 or (claimed is None and tested):
        return FcsVerdict(ABSENT, 0, 0, tested, 0, "there is no FCS", claimed)
    if tested < _LEAST:
        octets = 2 if claimed is None else claimed
        text = f"too few frames to test ({tested}); an FCS of {octets} octets is taken for granted"
        return FcsVerdict(UNCLEAR, octets, 0, tested, 0, text, claimed)
    return _without(usable, fits, tested, claimed or 2)._replace(claimed=claimed)


def _matching(frames: list[bytes], length: int) -> int:
    return sum(
        fcs(frame[:-length], length) == frame[-length:] for frame in frames if len(frame) > length
    )


def _ahead(frames: list[bytes]) -> str:
    """Return in words the octets behind which most frames begin, as their FCS proves; nothing where they do not."""
    for count in range(1, _MOST_AHEAD + 1):
        behind = [frame[count:] for frame in frames]
        if max(_matching(behind, length) for length in (2, 4)) * 2 > len(frames):
            counted = all(frame[0] & 0x7F == len(frame) - 1 for frame in frames)
            length = (
                ", the length of what follows, as the PHY has it" if counted and count == 1 else ""
            )
            return plural(count, "octet") + length
    return ""


def _slip(frames: list[bytes]) -> str:
    """Return in words by which other sum the last two octets of most frames are right; nothing where by none.

    By chance that is so of one frame in some thousand; and of two frames in 65536 that both differ in the same bits.
    """
    different = set(frames)
    ways = Counter(slip for frame in different for slip in fcs_slips(frame[:-2], frame[-2:]))
    (slip, count), *_ = ways.most_common(1) or [("", 0)]
    return slip if count >= _LEAST and count * 2 > len(different) else ""


def _acknowledgement(frame: bytes) -> int:
    """Return the octets of an acknowledgement, which before the 2015 edition is but a header; 0 for other frames."""
    try:
        header = mac.decode(Reader(frame))
    except WireError:
        return 0
    is_header = header.frame_type == FrameType.ACKNOWLEDGEMENT and not header.later
    return header.header_length if is_header else 0


def _without(
    frames: list[bytes], fits: Callable[[bytes], bool | None], tested: int, claimed: int
) -> FcsVerdict:
    """Return whether frames whose FCS never matches end with radio status, be it in all the octets claimed, or nothing.

    Radio status has 2 octets; who claims 4 may not have filled them in.
    """
    stripped, ends = 0, dict.fromkeys((claimed, 2), 0)
    for frame in frames:
        octets = _acknowledgement(frame)
        if octets:
            stripped += len(frame) == octets
            for length in ends:
                ends[length] += len(frame) == octets + length
            continue
        if fits(frame):
            stripped += 1
            continue
        for length in ends:
            if len(frame) > length and fits(frame[:-length]):
                ends[length] += 1
                break
    length = max(ends, key=lambda one: ends[one])
    status, good = ends[length], sum(frame[-1] & _CRC_OK > 0 for frame in frames)
    if (
        status == stripped
    ):  # nothing decides but the look of the octets, or that each frame tells of four
        is_status = good == tested or claimed > 2
        how = "by the look of their last octet" if is_status else "taken for granted: nothing tells"
        if claimed > 2:
            how = f"{claimed} octets, as the file says: nothing else tells"
    else:
        is_status = status > stripped
        how = f"by the checksums or lengths of {max(status, stripped)} frames"
    if is_status:
        what = "radio status stands" if length == 2 else f"{length} octets that are none stand"
        text = f"the FCS is right in none of {tested} frames: {what} in its place ({how})"
        return FcsVerdict(STATUS, 0, length, tested, 0, text)
    text = f"the FCS is right in none of {tested} frames: it was stripped ({how})"
    return FcsVerdict(STRIPPED, 0, 0, tested, 0, text)
