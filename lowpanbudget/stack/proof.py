"""Frames that are encrypted without an integrity code: under any key something comes out.

What comes out is held against what a frame may carry: octets of chance read as 6LoWPAN seldom, and a checksum over them
is right once in 65,536 times.
"""

from collections.abc import Callable, Iterable, Sequence
from typing import Any, TypeVar

from lowpanbudget.errors import Truncated, WireError
from lowpanbudget.layers.internet import chain, ipv6, udp
from lowpanbudget.layers.link.auxiliary import LEVELS_CITE, UNPROVEN
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.layers.link.security import Key
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.values import replace

AnyFrame = TypeVar("AnyFrame", bound=Any)  # that of ``stack.frame``, which asks this module
KEY_UNPROVEN = "key-unproven"  # the notice: what was read may be noise
_HINT = "Give the key of this node alone, or the index, mode or source that its frames name it by"
_PROVEN = 4  # of five likenesses


def likeliest(
    read: Callable[[tuple[Key, ...]], AnyFrame],
    fitting: Sequence[Key],
    *,
    is_cut: bool,
) -> AnyFrame:
    """Return a frame as it is most likely read, under the first of equal keys; a notice says where none is proven.

    One that ``is_cut`` has the proof in what was not captured: nothing is said of it.
    """
    frames = [read((key,)) for key in fitting]
    return told(max(frames, key=_likeness), len(fitting), is_cut=is_cut)


def told(frame: AnyFrame, fitting: int, *, is_cut: bool) -> AnyFrame:
    """Return a frame that was read under one of so many keys that fit, with a notice where nothing proves it."""
    mac = frame.mac
    if is_cut or mac is None or not frame.payload or _likeness(frame) == _PROVEN:
        return frame
    if frame.fault is not None:  # in noise a mesh header names anybody
        frame = replace(frame, link_source=mac.source, link_destination=mac.destination)
    which = "the key"
    if fitting > 1:
        which = f"which of the {fitting} keys that fit is right"
    text = (
        f"nothing proves {which}: security level {UNPROVEN} has no integrity code, and the frame no checksum "
        "that is right; what is read in it may be noise"
    )
    notice = Notice(KEY_UNPROVEN, text, LEVELS_CITE, mac.header_length, _HINT)
    return replace(frame, notices=(*frame.notices, notice))


def is_unproven(notices: Iterable[Notice]) -> bool:
    """Return whether the notices of a frame tell that nothing proves the key that opened it."""
    return any(notice.name == KEY_UNPROVEN for notice in notices)


def _likeness(frame: Any) -> int:
    """Return how much a frame is like one that was sent, from 0 to what proves it."""
    if frame.fault is not None:
        return int(isinstance(frame.fault, Truncated))  # it may only be cut
    if frame.mac is not None and frame.mac.frame_type == FrameType.DATA and len(frame.heads) == 1:
        return 1  # no 6LoWPAN
    is_right = None
    if frame.datagram is not None and not frame.checksum_elided:
        is_right = _is_checksum_right(frame.datagram.octets)
    return 3 if is_right is None else 2 + 2 * is_right


def _is_checksum_right(datagram: bytes) -> bool | None:
    """Return whether the checksum of UDP or ICMPv6 in a datagram is right; None where none can be tested."""
    last = None
    try:
        if ipv6.header_of(datagram).next_header == ipv6.UDP:  # as of nearly all
            return udp.is_right_behind(datagram)
        for last in chain.walk(datagram):
            if last.kind == ipv6.FRAGMENT:
                return None
    except WireError:
        return None
    if last is None or last.hidden or last.kind not in {ipv6.UDP, ipv6.ICMPV6}:
        return None
    covered = datagram[last.offset :]
    return not ipv6.covered_sum(last.source, last.destination, last.kind, covered)
