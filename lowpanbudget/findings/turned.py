"""MAC headers whose fields have their most significant octet first, as those of most other protocols: known by PAN."""

from collections.abc import Iterator
from itertools import product

from lowpanbudget.bits import Reader
from lowpanbudget.env import link_text
from lowpanbudget.errors import WireError
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.link import mac as link_mac
from lowpanbudget.layers.link.mac import BROADCAST, Mac

_LEAST = 3  # frames of a PAN that make it one of the capture; our choice
_ADDRESSES = tuple(product((2, 8), repeat=2))


def turned_header(scene: Scene) -> Mac | None:
    """Return the MAC header of a frame with the octets of each field turned, where it is of a network heard here.

    That is: of a PAN with some frames, and for a node that sends there, or for all. Else None.
    """
    octets = scene.example
    pan = int.from_bytes(octets[3:5], "big")  # behind frame control and number
    if scene.mac is not None or scene.known.pans.get(pan, 0) < _LEAST:
        return None
    for destination, source in _ADDRESSES:
        for pans in ((2,), (2, 2)):
            told = _header(_turned(octets, (2, 1, pans[0], destination, *pans[1:], source)))
            if told is None or told.destination is None or told.source is None:
                continue
            if (len(told.destination), len(told.source)) != (destination, source):
                continue
            for_all, to = told.destination == BROADCAST, (pan, told.destination)
            if told.destination_pan == pan and (for_all or to in scene.known.senders):
                return told
    return None


def _turned(octets: bytes, fields: tuple[int, ...]) -> bytes:
    """Return a frame with the octets of fields of these lengths in reverse, from its beginning on."""
    return b"".join(_fields(octets, fields))


def _fields(octets: bytes, fields: tuple[int, ...]) -> Iterator[bytes]:
    at = 0
    for length in fields:
        yield octets[at : at + length][::-1]
        at += length
    yield octets[at:]


def _header(octets: bytes) -> Mac | None:
    try:
        return link_mac.decode(Reader(octets))
    except WireError:
        return None


def told(header: Mac) -> str:
    """Return in words what it is when turned."""
    return (
        "each field of the MAC header has its most significant octet first: with the octets turned it is of "
        f"{link_text(header.source)} in PAN {header.destination_pan:#06x}"
    )
