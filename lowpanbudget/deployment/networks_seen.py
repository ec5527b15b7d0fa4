"""Frames of another PAN than a design's: another network, whose nodes may have the same addresses and its own plan."""

from lowpanbudget.capture.follow.networks import Networks
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.design.meaning import Design


class OtherNetworks:
    """Tells such frames from those of the design's network, and counts them in ``frames``, by PAN."""

    def __init__(self, design: Design | None) -> None:
        self._link = None if design is None else design.link
        self._networks = Networks()
        self.frames: dict[int, int] = {}

    @property
    def all(self) -> tuple[int, ...]:
        """Return the PANs that were told apart, the design's first."""
        return () if self._link is None else (self._link.network, *self.frames)

    def hear(self, sighting: Sighting) -> bool:
        """Return whether a frame is of another PAN."""
        if self._link is None:
            return False
        network = self._networks.heard(sighting)
        if network is None or self._link.is_of_network(network):
            return False
        self.frames[network] = self.frames.get(network, 0) + 1
        return True
