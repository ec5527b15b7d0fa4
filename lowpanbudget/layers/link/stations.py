"""Which network a frame is of, and which of its nodes sent it: a short address is one in its PAN alone.

IEEE 802.15.4-2015 clause 6.4.2 (from memory).
"""

from lowpanbudget.bits import Place, Reader
from lowpanbudget.errors import WireError
from lowpanbudget.fields.parts import LayoutPart, key_of
from lowpanbudget.layers.link.addressing import FIELDS
from lowpanbudget.layers.link.control import CONTROL, shape
from lowpanbudget.layers.link.leading import read_leading
from lowpanbudget.layers.link.mac import BROADCAST_PAN, Mac

_DESTINATION_PAN, _, _SOURCE_PAN, _ = map(key_of, FIELDS)
Station = tuple[int | None, bytes]  # a node: the PAN of its short address, or None and its EUI-64


def network_of(mac: Mac) -> int | None:
    """Return the PAN that a frame is of; None where it names none but all of them."""
    return network_named(mac.source_pan, mac.destination_pan)


def network_named(source_pan: int | None, destination_pan: int | None) -> int | None:
    """Return the same from PAN IDs: who joins has no PAN yet, and names that which it joins as its destination's.

    IEEE 802.15.4-2006 clause 7.3.1.1 (from memory): the source PAN ID of an association request is 0xffff.
    """
    if source_pan is None or source_pan == BROADCAST_PAN:
        source_pan = destination_pan
    return None if source_pan == BROADCAST_PAN else source_pan


def network_in(octets: bytes) -> int | None:
    """Return the same from the octets of a frame; None of what is none."""
    try:
        _, _, destination_pan, _, source_pan, _ = read_leading(Reader(octets))
    except WireError:
        return None
    return network_named(source_pan, destination_pan)


def network_place(octets: bytes) -> Place | None:
    """Return where a frame that begins so has the PAN ID that it is of, unless all PANs stand there; None without one.

    It is quicker than to read each frame of a form.
    """
    form = shape(*Reader(octets).ahead(CONTROL.octets).ljust(CONTROL.octets, b"\0"))
    if form.fault is not None:
        return None
    at, places = form.octets + (not form.suppressed), dict[str, Place]()
    for part in form.layout.parts:
        assert isinstance(part, LayoutPart)
        places[part.key] = Place(at, at + part.least, "little")
        at += part.least
    return places.get(_SOURCE_PAN) or places.get(_DESTINATION_PAN)


def station_of(mac: Mac) -> Station | None:
    """Return who sent a frame; None where it names nobody."""
    return None if mac.source is None else station_at(mac.source, mac)


def station_at(link: bytes, mac: Mac) -> Station:
    """Return who has a link address in a frame."""
    return (network_of(mac) if len(link) == 2 else None), link


def network_text(pan: int) -> str:
    """Return a PAN ID as it is shown and asked for everywhere."""
    return f"{pan:#06x}"
