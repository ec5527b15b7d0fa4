"""Whose link addresses are those of a frame, and whether it begins, or ends, the way of its datagram."""

from ipaddress import IPv6Address

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.env import IID_MASK, interface_identifier
from lowpanbudget.layers.internet import chain, ipv6
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.link.nonces import Devices


def node_of(link: bytes | None, mac: Mac, devices: Devices) -> bytes | None:
    """Return one name of a node: its EUI-64 where a short address is known to be that device's."""
    if link is None or len(link) != 2:
        return link
    short = int.from_bytes(link, "big")
    pan = mac.pan_id
    if pan is not None and (pan, short) in devices:
        return devices[pan, short]
    return devices.get(short, link)


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
