"""The router advertisement that a design's contexts need: what the border router says to all nodes of the link."""

from dataclasses import replace
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.bits import Writer
from lowpanbudget.design.meaning import Design
from lowpanbudget.env import Env
from lowpanbudget.layers.internet import icmpv6, ipv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.nd import messages as nd
from lowpanbudget.layers.internet.nd.lowpan_options import AuthoritativeBorderRouter, ContextOption
from lowpanbudget.layers.internet.nd.options import (
    AnyOption,
    PrefixInformation,
    SourceLinkLayerAddress,
)
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan import addresses
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.split import payloads

_ALL_NODES = IPv6Address("ff02::1")


class Advertisement(NamedTuple):
    """How long it is: how many options, octets of ICMPv6, of compressed IPv6, and behind the MAC header, and frames."""

    options: int
    octets: int
    header: int
    room: int
    frames: int


def advertisement(design: Design) -> Advertisement | None:
    """Return what an advertisement of all contexts takes (RFC 6775 section 4); None where nobody would send one.

    Raises ``LowpanError`` where it does not fit any number of frames.
    """
    routers = (s for role in ("border", "collector") for s in design.stations if s.role == role)
    router = next(routers, None)
    if router is None or not design.contexts:
        return None
    form = design.link.addresses
    link, address = router.link_address(form), router.ip(form)
    local = replace(router, address=None, prefix=addresses.LINK_LOCAL.value, identifier="link")
    contexts = design.contexts.items()
    options: tuple[AnyOption, ...] = (
        PrefixInformation(
            prefix_length=64, address=IPv6Address(int(address) >> 64 << 64), autonomous=True
        ),
        *(
            ContextOption(cid=n, prefix=c.prefix, valid_lifetime=60)
            for n, c in contexts
            if c.prefix.prefixlen
        ),
        AuthoritativeBorderRouter(version=1, border_router=address),
        SourceLinkLayerAddress(address=link),
    )
    source, writer = local.ip(form), Writer()
    message = nd.RouterAdvertisement(cur_hop_limit=64, router_lifetime=1800, options=options)
    icmpv6.encode(writer, message, source, _ALL_NODES)
    body = bytes(writer.data)
    header = Ipv6(0, 0, len(body), ipv6.ICMPV6, 255, source, _ALL_NODES)
    room = design.link.room(link, BROADCAST)
    env = Env(link, BROADCAST, contexts=design.contexts)
    cut = payloads(Outgoing((header,), body), env, room=room)
    (whole,) = payloads(Outgoing((header,), body), env, room=len(body) + ipv6.OCTETS + 1)
    return Advertisement(len(options), len(body), len(whole.data) - len(body), room, len(cut))
