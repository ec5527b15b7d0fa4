"""What a design file says of a flow's routing: ``[flow.routing]``."""

from typing import Literal

from lowpanbudget.design.table import ShapeTable, key
from lowpanbudget.design.takes import Flag, Whole, Words


class RoutingShape(ShapeTable):
    """What the network adds to each datagram of the flow: RPL (RFC 6550, RFC 8138), or a mesh below IPv6 (RFC 4944)."""

    form: Literal["6lorh", "extension-headers"] = key(
        Words("6lorh", "extension-headers"),
        "As 6LoRH headers in page 1, or as IPv6 extension headers. A packet keeps its form on its way. The MTU and "
        "fragments count the datagram that 6LoRH stands for: a route then has a whole address for each router.",
        default="6lorh",
    )
    rpi: bool = key(Flag(), "RPL packet information.", default=True)
    option_type: int = key(
        Words(0x63, 0x23),
        "Type of the RPL option: 0x63 (RFC 6553) or 0x23 (RFC 9008).",
        default=0x63,
    )
    instance: int = key(Whole(0, 255), "RPLInstanceID.", default=0)
    sender_rank: int = key(
        Whole(0, 0xFFFF),
        "Rank of the sender; each router writes its own. A multiple of 256 takes an octet less as 6LoRH (RFC 8138 "
        "section 6.3): where ranks are made of a metric such as ETX, plan with one that is none.",
        default=512,
    )
    route: int = key(Whole(0, 120), "Routers in the source route of a downward packet.", default=0)
    entry_octets: int | None = key(
        Words(1, 2, 4, 8, 16),
        "Last octets that tell routers' addresses apart; 2 where the node's is short or has no EUI-64 by it, else 8.",
        default=None,
    )
    tunnel: bool = key(
        Flag(),
        "An outer IPv6 header around the packet; RFC 9008 tells who needs it. Up, its source is the node, compressed "
        "against the root's address: plan with the node whose address differs most from it.",
        default=False,
    )
    mesh_under: bool = key(
        Flag(),
        "Frames are forwarded below IPv6, each with a mesh header: explain mesh-under.",
        default=False,
    )
