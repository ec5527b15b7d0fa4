"""Nodes named where several networks are heard: those of one PAN by their addresses alone, those of others with it."""

from lowpanbudget.env import link_text
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.link.stations import network_of, network_text


class HomeNetwork:
    """The network of the design, or the first that is heard."""

    def __init__(self, pan: int | None = None) -> None:
        self._pan = pan

    def beside(self, mac: Mac | None) -> int | None:
        """Return the PAN that a frame is of, where that is not this one."""
        pan = None if mac is None else network_of(mac)
        if self._pan is None:
            self._pan = pan
        return None if pan == self._pan else pan

    def name(self, link: bytes | None, mac: Mac | None) -> str:
        """Return a link address of a frame as text; a short one with its PAN, where that is not this one."""
        pan = self.beside(mac)
        if pan is None or link is None or len(link) != 2:
            return link_text(link)
        return f"{link_text(link)} of PAN {network_text(pan)}"
