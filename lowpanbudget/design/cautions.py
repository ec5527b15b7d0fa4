"""What a careful colleague would say about a path before anything is built."""

from collections.abc import Iterator

from lowpanbudget.design.path import FlowPath
from lowpanbudget.design.routing import UNROUTED


def cautions(path: FlowPath) -> Iterator[str]:
    """Yield cautions about protection and reach; they cost nothing and change no number."""
    link, flow = path.link, path.flow
    security = link.security
    if security is None or security.level == 0:
        yield "The link is not secured: anyone near can read and forge frames."
    elif not security.protection.mic:
        yield "Security level 4 encrypts without integrity code: altered frames pass unnoticed."
    elif not security.protection.encrypted:
        yield f"Security level {security.level} does not encrypt: anyone near can read the data."
    if flow.elide_udp_checksum:
        yield (
            "The UDP checksum is elided: RFC 6282 section 4.3.2 allows that only with the upper "
            "layer's permission and another integrity check over pseudo-header and data."
        )
        if not link.has_integrity_code:
            yield "No link integrity code stands in for it: a receiver must drop these packets."
    oscore = flow.application.oscore
    if oscore is not None and flow.application.is_numbered and oscore.sequence < 1 << 8:
        yield (
            f"The sequence number of OSCORE is planned as {oscore.sequence} and grows: from 256 on 1 octet "
            "less is left, from 65536 on 2 (RFC 8613 section 6.1)."
        )
    routing = flow.routing
    if routing.rpi and routing.compressed and routing.sender_rank == UNROUTED.sender_rank:
        yield (
            f"The sender's rank is planned as {routing.sender_rank}, and each router writes its own: one that is no "
            "multiple of 256, as a metric such as ETX makes it, takes 1 octet more (RFC 8138 section 6.3)."
        )
    if flow.group is not None:
        yield "Frames to a group are not acknowledged: the link does not send a lost one again."
        if flow.hops > 1 and not flow.mesh_under:
            yield (
                "Routers pass packets to a group on by a protocol of their own, such as MPL, whose option stands in "
                "each packet (RFC 7731 section 6.1, from memory): its octets are not in this room."
            )
        if flow.most_frames > 1:
            yield "One lost fragment loses the whole message, and to a group none is repeated."
    if flow.mesh_under and flow.hops > 1 and flow.most_frames > 1 and not link.recoverable:
        yield (
            "No node on the way puts fragments together, and one that is lost on any hop loses the whole message: "
            "mesh-under techniques compound that risk (RFC 8931 appendix A)."
        )
