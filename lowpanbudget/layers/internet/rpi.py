"""The RPL option of IPv6 hop-by-hop options, the RPL packet information (RFC 6553 section 3, RFC 9008 section 4.2).

                                |  Option Type  |  Opt Data Len |
|O|R|F|0|0|0|0|0| RPLInstanceID |          SenderRank           |
|                         (sub-TLVs)                            |
"""

from lowpanbudget.cites import rfc
from lowpanbudget.fields import OctetString, bits, part, structure, unused

CITE = rfc(6553, "3")
OLD, NEW = 0x63, 0x23
TYPES = {
    OLD: "RPL option; who does not know it discards the packet",
    NEW: "RPL option of RFC 9008; who does not know it skips it",
}


@structure("RPL option", CITE, sizes=range(6, 258))
class RplOption:
    """The RPL packet information: ``down`` (O), ``rank_error`` (R), ``forwarding_error`` (F), instance and rank.

    ``type`` is 0x63, or 0x23 where the DODAG configuration says so; ``more`` are octets behind it (no sub-TLV is
    defined).
    """

    type: int = bits(8, TYPES, cite=rfc(9008, "4.2"), default=OLD)
    length = bits(8, "octets that follow")
    down: bool = bits(1, {0: "O: up", 1: "O: down"}, default=False)
    rank_error: bool = bits(1, "R: a rank that does not fit the direction was seen", default=False)
    forwarding_error: bool = bits(1, "F: the child cannot forward it", default=False)
    reserved: int = unused(5, default=0)
    rpl_instance_id: int = bits(8)
    sender_rank: int = bits(16, "of the node that sent it last")
    more: bytes = part(OctetString, "sub-TLVs", default=b"")
