"""Datagrams of recoverable fragments that are whole: copies in flight are absorbed for a while (RFC 8931 section 6)."""

from collections import OrderedDict

from lowpanbudget.bits import Reader
from lowpanbudget.env import Env
from lowpanbudget.errors import WireError
from lowpanbudget.layers.lowpan.fragment import TIMEOUT_S
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.stack.collected import Collected
from lowpanbudget.stack.fragment_key import KeyFields
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.incoming import Datagram, Lowpan
from lowpanbudget.stack.lowpan import read_lowpan

# RFC 8931 section 6: after the last fragment a receiver "arms a short timer, e.g., on the order of an average
# round-trip time" and absorbs what was in flight; how short is our choice
ABSORB_S = 2.0


class AbsorbedDatagrams:
    """What was whole not long ago, by key, the oldest first; ``octets`` are those kept of all of them.

    For longer only digests are known, to tell what is sent again because "the RFRAG-ACK was lost on the path back"
    (section 6.1.2): a sender waits "several times less" (MaxARQTimeOut, section 7.1) than a receiver does.
    """

    def __init__(self) -> None:
        self.octets = 0
        self._whole: OrderedDict[KeyFields, tuple[float, Collected]] = OrderedDict()
        self._digests: OrderedDict[KeyFields, tuple[float, frozenset[int]]] = OrderedDict()

    def absorbs(self, key: KeyFields, fragment: Rfrag, octets: bytes) -> bool:
        """Return whether a fragment is a copy of one of these; a tag that serves another datagram absorbs no more."""
        _, whole = self._whole.get(key, (0.0, None))
        if whole is not None and whole.holds(fragment, octets):
            return True
        self._end(key)
        return False

    def add(self, key: KeyFields, whole: Collected, time_s: float) -> None:
        """Keep a datagram that is whole now."""
        self._whole[key] = (time_s, whole)
        self._whole.move_to_end(key)
        self.octets += whole.received
        self._digests[key] = (time_s, whole.digests())
        self._digests.move_to_end(key)

    def digests(self, key: KeyFields) -> frozenset[int]:
        """Return what stands for the fragments of the last that was whole under a key; nothing where it is long ago."""
        return self._digests.get(key, (0.0, frozenset[int]()))[1]

    def expire(self, time_s: float) -> None:
        """Forget those whose timer is over."""
        while self._whole and time_s - next(iter(self._whole.values()))[0] > ABSORB_S:
            self._end(next(iter(self._whole)))
        while self._digests and time_s - next(iter(self._digests.values()))[0] > TIMEOUT_S:
            self._digests.popitem(last=False)

    def shed(self, most: int, most_octets: int) -> None:
        """Forget the oldest until there are no more than ``most``, of no more octets."""
        while self._whole and (len(self._whole) > most or self.octets > most_octets):
            self._end(next(iter(self._whole)))
        while len(self._digests) > most:
            self._digests.popitem(last=False)

    def _end(self, key: KeyFields) -> None:
        whole = self._whole.pop(key, None)
        if whole is not None:
            self.octets -= whole[1].received


def expanded(frame: Frame, compressed: bytes, env: Env) -> Datagram | str:
    """Return the datagram that was sent compressed between the ends of a frame, or why there is none."""
    pan = None if frame.mac is None else frame.mac.pan_id
    ends = frame.link_source, frame.link_destination
    lowpan = Lowpan(*ends)
    try:
        read_lowpan(
            Reader(compressed), Env(*ends, pan, env.contexts, env.root, env.rpi_type), lowpan
        )
    except WireError as error:
        return f"whole, but it cannot be expanded: {error}"
    if lowpan.datagram is None:
        return "whole, but it holds no datagram"
    return lowpan.datagram
