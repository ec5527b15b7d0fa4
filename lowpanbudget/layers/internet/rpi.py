"""The RPL option of IPv6 hop-by-hop options, the RPL packet information (RFC 6553 section 3, RFC 9008 section 4.2).

                                |  Option Type  |  Opt Data Len |
|O|R|F|0|0|0|0|0| RPLInstanceID |          SenderRank           |
|                         (sub-TLVs)                            |
"""

from dataclasses import dataclass

from lowpanbudget.cites import rfc
from lowpanbudget.fields import Bits
from lowpanbudget.layers.internet.parts import Rest
from lowpanbudget.layers.internet.records import Record, length_bits

CITE = rfc(6553, "3")
OLD, NEW = 0x63, 0x23
TYPES = {
    OLD: "RPL option; who does not know it discards the packet",
    NEW: "RPL option of RFC 9008; who does not know it skips it",
}


@dataclass(frozen=True, slots=True)
class RplOption:
    """The RPL packet information: ``down`` (O), ``rank_error`` (R), ``forwarding_error`` (F), instance and rank.

    ``type`` is 0x63, or 0x23 where the DODAG configuration says so; ``more`` are octets behind it (no sub-TLV is
    defined).
    """

    rpl_instance_id: int
    sender_rank: int
    down: bool = False
    rank_error: bool = False
    forwarding_error: bool = False
    type: int = OLD
    more: bytes = b""


RECORD = Record(
    "RPL option",
    CITE,
    RplOption,
    (
        Bits("type", 8, TYPES, cite=rfc(9008, "4.2")),
        length_bits(1, counts_head=False),
        Bits("down", 1, {0: "O: up", 1: "O: down"}),
        Bits("rank error", 1, "R: a rank that does not fit the direction was seen"),
        Bits("forwarding error", 1, "F: the child cannot forward it"),
        Bits("reserved", 5),
        Bits("rpl instance id", 8),
        Bits("sender rank", 16, "of the node that sent it last"),
    ),
    Rest("more", "sub-TLVs"),
    sizes=range(6, 258),
)
