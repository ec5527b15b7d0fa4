"""Nodes named where several networks are heard: those of one PAN by their addresses alone, those of others with it."""

from lowpanbudget.env import link_text
from lowpanbudget.layers.link.mac import BROADCAST_PAN, Mac
from lowpanbudget.layers.link.stations import network_of, network_text

# networks that are told apart from this one, each with what rules remember
MOST_APART = 16


class HomeNetwork:
    """The network of the design, or the first that is heard.

    ``others`` are the PANs that are told apart from it, ``beyond`` those that are not: there were too many.
    """

    def __init__(self, *pans: int | None) -> None:
        self._pans = tuple(pan for pan in pans if pan is not None)
        self.others: list[int] = []
        self.beyond: dict[int, None] = {}

    @property
    def all(self) -> tuple[int, ...]:
        """Return the PANs of a capture, first this one."""
        return (*self._pans[:1], *self.others, *self.beyond)

    def beside(self, mac: Mac | None) -> int | None:
        """Return the PAN that a frame is of, where that is not this one."""
        pan = None if mac is None else network_of(mac)
        return None if pan is None or self.has(pan) else pan

    def has(self, pan: int) -> bool:
        """Return whether a PAN is this network's; the first that is asked about is, where no design tells."""
        if not self._pans:
            self._pans = (pan,)
        return pan in self._pans

    def network(self, pan: int | None) -> str:
        """Return the name of a PAN that frames go to, where it is one, and not this one; else nothing."""
        return "" if pan in {None, BROADCAST_PAN} or self.has(pan) else f"PAN {network_text(pan)}"

    def name(self, link: bytes | None, mac: Mac | None) -> str:
        """Return a link address of a frame as text; a short one with its PAN, where that is not this one."""
        pan = self.beside(mac)
        if pan is None or link is None or len(link) != 2:
            return link_text(link)
        return f"{link_text(link)} of PAN {network_text(pan)}"
