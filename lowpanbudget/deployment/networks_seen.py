"""Frames of another PAN than a design's: another network, whose nodes may have the same addresses and its own plan."""

from lowpanbudget.capture.crossings import HeardFrame
from lowpanbudget.design.meaning import Design


class OtherNetworks:
    """Tells such frames from those of the design's network, and counts them in ``frames``, by PAN.

    An acknowledgement need not name a PAN (IEEE 802.15.4-2020 clause 7.3.3, from memory: an Imm-Ack has no address
    field): it is of the network of the last frame that asked for one under its number.
    """

    def __init__(self, design: Design | None) -> None:
        self._link = None if design is None else design.link
        self._asked: dict[int | None, int] = {}
        self.frames: dict[int, int] = {}

    def hear(self, frame: HeardFrame) -> bool:
        """Return whether a frame is of another PAN."""
        if self._link is None:
            return False
        number, network = frame.sequence, frame.network
        if frame.answers and network is None:
            network = self._asked.get(number)
        if network is None or self._link.is_of_network(network):
            if frame.asks:
                self._asked.pop(number, None)
            return False
        if frame.asks:
            self._asked[number] = network
        self.frames[network] = self.frames.get(network, 0) + 1
        return True
