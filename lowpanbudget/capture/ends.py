"""Whose link addresses are those of a frame, and whether it begins, or ends, the way of its datagram."""

from ipaddress import IPv6Address

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import IID_MASK, interface_identifier
from lowpanbudget.layers.internet import chain, ipv6
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.link.nonces import Devices
from lowpanbudget.layers.link.stations import Station, station_at

_MOST_NAMED = 16384  # stations: twice as many as nodes are told of


def node_of(link: bytes | None, mac: Mac, devices: Devices) -> bytes | None:
    """Return one name of a node: its EUI-64 where a short address is known to be that device's."""
    if link is None or len(link) != 2:
        return link
    short = int.from_bytes(link, "big")
    pan = mac.pan_id
    if pan is not None and (pan, short) in devices:
        return devices[pan, short]
    return devices.get(short, link)


class NodeNames:
    """One name of each node for a whole capture: what it was heard under first, though more is told of it later.

    A node counts its frames in one row of numbers, from its EUI-64 and from the short address that it is told to have.
    """

    def __init__(self) -> None:
        # the name of each station, and which device it was known to be
        self._names = Recent[Station, tuple[bytes, bytes]](_MOST_NAMED)

    def of(self, link: bytes | None, mac: Mac, devices: Devices) -> bytes | None:
        """Return the name of the node that has a link address in a frame."""
        device = node_of(link, mac, devices)
        if link is None or device is None:
            return link
        names, own, whole = self._names, station_at(link, mac), (None, device)
        name, before = names.get(own, (device, b""))
        if before != device:
            if before != link:  # new, or of another device by now
                name, _ = names.get(whole, (device, device))
            names.renew(own, (name, device))
            if device != link and whole not in names:
                names.renew(whole, (name, device))
        return name

    def devices(self) -> dict[bytes, bytes]:
        """Return the EUI-64s of nodes that are named by their short addresses."""
        return {name: device for name, device in self._names.values() if device != name}


def at_ends(
    sighting: Sighting, place: chain.ChainPlace, mac: Mac, devices: Devices
) -> tuple[bool, bool]:
    """Return whether a frame comes from the source of its datagram, and goes to its destination.

    "Routers must not forward any packets with Link-Local source or destination addresses to other links" (RFC 4291
    section 2.5.6): such a one has this hop alone, though nobody told whose EUI-64 or short address either end is.
    """
    if place.offset < 2 * ipv6.OCTETS and (
        ipv6.is_link_local(place.source) or ipv6.is_link_local(place.destination)
    ):
        return True, True
    source, destination = sighting.source, sighting.destination
    return (
        is_of(source, place.source, mac, devices),
        is_of(destination, place.destination, mac, devices),
    )


def is_of(link: bytes | None, address: IPv6Address, mac: Mac, devices: Devices) -> bool:
    """Return whether an address has the interface identifier of a link address, or of the device that has it."""
    identifier = int(address) & IID_MASK
    known = (link, node_of(link, mac, devices))
    return any(identifier == interface_identifier(one) for one in known if one is not None)
