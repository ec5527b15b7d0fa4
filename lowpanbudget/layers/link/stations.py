"""Which network a frame is of, and which of its nodes sent it: a short address is one in its PAN alone.

IEEE 802.15.4-2015 clause 6.4.2 (from memory).
"""

from lowpanbudget.layers.link.mac import BROADCAST_PAN, Mac

Station = tuple[int | None, bytes]  # a node: the PAN of its short address, or None and its EUI-64


def network_of(mac: Mac) -> int | None:
    """Return the PAN that a frame is of; None where it names none but all of them."""
    pan = mac.pan_id
    return None if pan == BROADCAST_PAN else pan


def station_of(mac: Mac) -> Station | None:
    """Return who sent a frame; None where it names nobody."""
    source = mac.source
    if source is None:
        return None
    return (network_of(mac) if len(source) == 2 else None), source


def network_text(pan: int) -> str:
    """Return a PAN ID as it is shown and asked for everywhere."""
    return f"{pan:#06x}"
