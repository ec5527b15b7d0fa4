"""Knobs of forwarding: frames on their way below IPv6 (mesh-under), or packets routed by it (route-over).

A network does one of both, so that turning it changes all flows.
"""

from collections.abc import Iterator

from lowpanbudget.cites import rfc
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.knob import Knob, Share
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.routing import UNROUTED
from lowpanbudget.values import replace

_COMPOUNDED = (
    'one lost fragment loses the datagram, and no node on the way puts it together: "mesh-under techniques compound '
    'that risk over multiple hops" (RFC 8931 appendix A)'
)


def mesh_knobs(flow: Flow) -> Iterator[Knob[Design]]:
    """Yield the change to route-over, which frees the mesh header and may lengthen what is compressed."""
    if flow.mesh_under:
        yield _knob(
            "false", "packets routed hop by hop (route-over) instead of frames (mesh-under)",
            "each node on the way routes IPv6; headers that RPL or the like then adds are not counted, and identifiers "
            "go in line between routers",
        )  # fmt: skip


def mesh_positions(flow: Flow) -> Iterator[Knob[Design]]:
    """Yield the change to mesh-under of a flow over several hops."""
    if flow.hops > 1 and not flow.mesh_under:
        yield _knob(
            "true", "frames forwarded below IPv6 (mesh-under) instead of packets (route-over)",
            "nodes have a mesh routing protocol, which RFC 4944 leaves open (section 11); no RPL adds anything",
            _COMPOUNDED,
        )  # fmt: skip


def _knob(value: str, text: str, condition: str, caution: str = "") -> Knob[Design]:
    below = value == "true"
    return Knob(
        "routing.mesh_under", value, "flow.routing.mesh_under", text, rfc(4944, "5.2"),
        lambda design: _forwarded(design, below=below), condition, caution, now="false" if below else "true",
        shares=(Share.LINK, Share.NETWORK),
    )  # fmt: skip


def _forwarded(design: Design, *, below: bool) -> Design:
    """Return the design with all flows forwarded below IPv6, without what RPL adds, or with none."""
    flows = (replace(flow, mesh_under=below, routing=UNROUTED) for flow in design.flows)
    return replace(design, flows=tuple(flows))
