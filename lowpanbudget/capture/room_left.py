"""The room that data frames of a capture left: up to the largest frame, and to the largest datagram."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.sequences import octets_on_air
from lowpanbudget.layers.internet.ipv6 import MINIMUM_MTU
from lowpanbudget.layers.link.mac import LARGEST_FRAME
from lowpanbudget.layers.link.phy import LONG_FCS, largest_beside

if TYPE_CHECKING:  # a design is heavy
    from lowpanbudget.design.meaning import Design


class RoomLeft:
    """Tells the room of frames.

    ``largest`` is the octets of the largest frame that a design sends, FCS included, ``mtu`` those of its largest
    datagram. Without a design ``largest`` is None, and what each frame tells of its PHY counts: ``assumed`` are the
    largest frames that were reckoned with so.
    """

    def __init__(self, design: "Design | None" = None) -> None:
        self.largest = None if design is None else design.link.largest_sent
        self.mtu = MINIMUM_MTU if design is None else design.link.mtu
        self._assumed: set[int] = set()

    @property
    def assumed(self) -> tuple[int, ...]:
        """Return the largest frames that were assumed so far; none with a design."""
        return tuple(sorted(self._assumed))

    def of(self, sighting: Sighting) -> int:
        """Return how many octets more a data frame could have had; a datagram in one frame grows to the MTU at most."""
        octets = octets_on_air(sighting)
        left = self.up_to(octets, sighting.fcs_octets) - octets
        datagram = None if sighting.is_fragment else sighting.datagram
        if datagram is not None:
            left = min(left, self.mtu - len(datagram))
        return max(left, 0)

    def up_to(self, octets: int, fcs: int) -> int:
        """Return the octets of the largest frame to reckon with beside one of ``octets``, ``fcs`` of them FCS."""
        if self.largest is not None:
            return self.largest
        largest = largest_beside(octets, fcs)
        self._assumed.add(largest)
        return largest


def room_assumed(assumed: Sequence[int]) -> str:
    """Return in words up to what room was counted without a design; nothing where that is the usual frame alone."""
    if not any(largest > LARGEST_FRAME for largest in assumed):
        return ""
    return (
        f"No design tells the largest frame: room is counted up to {max(assumed)} octets where a frame is longer than "
        f"{LARGEST_FRAME} or has an FCS of {LONG_FCS}, else up to {LARGEST_FRAME}, and as far as a datagram may grow "
        f"to the MTU of {MINIMUM_MTU}."
    )
