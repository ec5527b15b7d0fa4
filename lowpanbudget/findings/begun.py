"""What datagrams have from who sent them first: routers that hand it on are not the ones to look at."""

from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.sealed_flows import ComparedHeaders
from lowpanbudget.findings.wrong_sums import source_name
from lowpanbudget.layers.lowpan.forms import TF
from lowpanbudget.layers.lowpan.iphc import HEADER as IPHC

# fields of the class and the label of traffic, as spans name them: "the Traffic Class field ... Flow Label" are set by
# the source (RFC 8200 sections 6 and 7), and no form of compression leaves them out where they are not zero
TRAFFIC = frozenset((IPHC.name, part.name) for row in TF.rows for part in row.parts)


def who_began(scene: Scene, flow: str, what: str, *, first: bool) -> str:
    """Return the node that frames have something from, as text: on its own hop (``first``) that is its sender.

    Further on it is who sent the datagram first, where that was heard to send the like; else who sends the frame.
    """
    source, begun = source_name(scene), scene.known.begun
    if first:
        begun.entry((source, flow, what), lambda: True)
        return scene.sender
    return source if (source, flow, what) in begun else scene.sender


def is_of_traffic(both: ComparedHeaders) -> bool:
    """Return whether headers are longer than planned by the class or the label of traffic alone."""
    seen, planned = (
        sum(bits for name, bits in fields.items() if name not in TRAFFIC) for fields in both
    )
    return seen - planned < 8 <= sum(both.seen.values()) - sum(both.planned.values())
