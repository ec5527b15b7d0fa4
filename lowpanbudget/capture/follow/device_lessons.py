"""What one frame teaches of devices: which EUI-64 has which short address, by commands, addresses and registrations."""

from collections.abc import Iterator
from typing import Any

from lowpanbudget.capture.follow.devices import FROM_ADDRESS, Device
from lowpanbudget.env import IID_MASK, SHORT_IID, UNIVERSAL_LOCAL
from lowpanbudget.fields import Packet
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.nd import messages as nd
from lowpanbudget.layers.internet.nd.lowpan_options import AddressRegistration
from lowpanbudget.layers.link.contents import (
    ASSOCIATED,
    ASSOCIATION_RESPONSE,
    COORDINATOR_REALIGNMENT,
    Command,
)
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.mesh import Mesh
from lowpanbudget.stack.frame import Frame

_GROUP = 1 << 56  # of an EUI-64: the last bit of its first octet
_NO_SHORT = 0xFFFE  # and above: "the device has associated without a short address", and broadcast


def device_lessons(frame: Frame, mac: Mac) -> Iterator[Device]:
    """Yield the devices that a frame tells of."""
    yield from _from_command(frame.packet, mac)
    yield from _from_addresses(frame, mac)
    yield from _from_registration(frame, mac)


def _from_command(packet: Packet, mac: Mac) -> Iterator[Device]:
    """Yield what association responses and coordinator realignments tell."""
    command = packet.find(Command) if mac.frame_type == FrameType.COMMAND else None
    if command is None:
        return
    fields = command.fields
    to_one = mac.destination is not None and len(mac.destination) == 8
    if (
        command.id == ASSOCIATION_RESPONSE
        and fields.get("association_status") in ASSOCIATED
        and to_one
    ):
        yield from _device(
            mac.pan_id, fields.get("short_address"), mac.destination, "association response"
        )
    if command.id == COORDINATOR_REALIGNMENT:
        pan, how = fields.get("pan_id"), "coordinator realignment"
        if to_one:
            yield from _device(pan, fields.get("short_address"), mac.destination, how)
        if mac.source is not None and len(mac.source) == 8:
            yield from _device(pan, fields.get("coordinator_short_address"), mac.source, how)


def _from_addresses(frame: Frame, mac: Mac) -> Iterator[Device]:
    """Yield what frames tell that carry a short address outside and an EUI-64 inside, both of the sender.

    A link-local source is nobody's but the sender's on this hop: an identifier with the universal bit set may come
    from an EUI-64 (RFC 4291 appendix A) that is no group's.
    """
    source = frame.link_source
    if source is None or len(source) != 2 or frame.packet.find(Mesh) is not None:
        return
    short = int.from_bytes(source, "big")
    compressed = frame.packet.find(Iphc)
    # of headers that are not compressed with IPHC only those on the air
    on_air = frame.packet.head(Ipv6)
    header: Ipv6 | None = compressed.header if compressed else on_air.value if on_air else None
    if header is not None and header.source in LINK_LOCAL.prefix:
        iid = int(header.source) & IID_MASK
        if iid & UNIVERSAL_LOCAL and not iid & _GROUP and iid >> 16 != SHORT_IID >> 16:
            eui = (iid ^ UNIVERSAL_LOCAL).to_bytes(8, "big")
            yield from _device(mac.pan_id, short, eui, FROM_ADDRESS)


def _from_registration(frame: Frame, mac: Mac) -> Iterator[Device]:
    """Yield what a registration tells: the EUI-64 in it is that of who asks for it (RFC 6775 section 5.5).

    Who sends with its EUI-64 names its short address by the IPv6 address that it is made of, and so does a router that
    answers with success, to the address that is registered (section 5.5.2).
    """
    message, content = frame.packet.find(Icmpv6), None
    if message is not None and message.checksum_ok:
        content = message.message
    if (
        not isinstance(content, nd.NeighborSolicitation | nd.NeighborAdvertisement)
        or frame.packet.find(Mesh) is not None
    ):
        return
    header = frame.packet.find(Ipv6)
    asks = isinstance(content, nd.NeighborSolicitation)
    node = frame.link_source if asks else frame.link_destination
    if header is None or node is None:
        return
    address = int(header.source if asks else header.destination) & IID_MASK
    named = address & 0xFFFF if address >> 16 == SHORT_IID >> 16 else None
    for option in content.options:
        if not isinstance(option, AddressRegistration) or option.extended or option.status:
            continue
        short = named if node == option.rovr else int.from_bytes(node, "big")
        if len(option.rovr) == 8 and (asks or short == named):
            yield from _device(mac.pan_id, short, option.rovr, "address registration")


def _device(pan: int | None, short: Any, eui: bytes | None, how: str) -> Iterator[Device]:
    if isinstance(short, int) and short < _NO_SHORT and eui is not None and len(eui) == 8:
        yield Device(pan, short, eui, how)
