"""What stands before the headers of a datagram that a mesh below IPv6 is to pass on, and between whom its frames go.

The mesh header names both ends of the way (RFC 4944 section 5.2), which are the datagram's. How many hops it may take
its flow states; who passes it on no datagram tells, and that is for the mesh to find out (section 11): a link address
that is neither end's stands for the next node, so that frames are as long as they will be.
"""

from typing import TYPE_CHECKING, NamedTuple

from lowpanbudget.bits import Writer
from lowpanbudget.capture.follow.flow_table import FlowTable
from lowpanbudget.capture.follow.flows import flow_of
from lowpanbudget.cites import rfc
from lowpanbudget.design.flow import FIRST, Flow, Hop, relay_beside
from lowpanbudget.env import link_text
from lowpanbudget.errors import RequestError
from lowpanbudget.fields import layout_of
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan import mesh
from lowpanbudget.layers.lowpan.mesh import Broadcast, Mesh

if TYPE_CHECKING:
    from lowpanbudget.design.meaning import Design

BROADCASTS = 1 << layout_of(Broadcast).widths[-1]  # numbers of a broadcast header, its last field


class MeshWay(NamedTuple):
    """A hop of a datagram in a mesh: its ends, the hops left there, and the link addresses of the hop.

    ``deep``: hops left have an octet of their own on all hops. ``floods``: it goes to a group. ``stand_in`` is the
    address that stands for a node which nobody named; None where all are known.
    """

    originator: bytes
    final: bytes
    left: int
    source: bytes
    destination: bytes
    deep: bool = False
    floods: bool = False
    stand_in: bytes | None = None

    def front(self, number: int) -> bytes:
        """Return the mesh header, with a broadcast header of this number to a group."""
        writer = Writer()
        mesh.encode(writer, Mesh(self.left, self.originator, self.final, deep=self.deep))
        if self.floods:
            layout_of(Broadcast).write(writer, Broadcast(number))
        return bytes(writer.data)


class MeshWays:
    """Finds the way of datagrams by the flows of a design; ``flow`` and ``hop`` are all of it where one is named."""

    def __init__(
        self, design: "Design", table: FlowTable, flow: Flow | None, hop: Hop | None
    ) -> None:
        self._form, self._table, self._flow, self._hop = design.link.addresses, table, flow, hop
        self._below = [one for one in design.flows if one.mesh_under]
        self._is_all = len(self._below) == len(design.flows)

    def of(self, datagram: bytes, source: bytes, destination: bytes) -> MeshWay | None:
        """Return the way of a datagram between two link addresses; None where routers of IPv6 forward it.

        Raises ``RequestError`` where no flow tells how far it goes.
        """
        if self._flow is not None:
            return self._named(self._flow) if self._flow.mesh_under else None
        if not self._below:
            return None
        to = ipv6.header_of(datagram).destination
        final = mesh.group_address(to) if to.is_multicast else destination
        key = flow_of(datagram)
        fits = () if key is None else self._table.fitting(key)
        fit = next((one for one in fits if one.between), None)
        flow = self._likely(source, final) if fit is None else fit.flow
        if flow is None and self._is_all:
            raise RequestError(
                f"over how many hops of the mesh a datagram from {link_text(source)} to {link_text(final)} goes is "
                "not known: no flow of the design goes there",
                cite=rfc(4944, "5.2"),
                hint="Plan a flow between these two, or have all frames go as those of a flow",
            )
        if flow is None or not flow.mesh_under:
            return None
        floods, stand_in = to.is_multicast, None
        there = BROADCAST if floods else final
        if not floods and flow.hops > 1:
            there = stand_in = relay_beside(self._form, {source, final}, to)
        deep = flow.hops >= mesh.DEEP
        return MeshWay(source, final, flow.hops, source, there, deep, floods, stand_in)

    def _named(self, flow: Flow) -> MeshWay:
        """Return the hop of the flow that was named."""
        hop = self._hop or flow.hop_list(self._form)[0]
        left = flow.hops if hop.name == FIRST else flow.hops - 1
        floods, ends = flow.group is not None, flow.mesh_ends(self._form)
        others = [one for one in hop[1:3] if one not in (*ends, BROADCAST)]
        stand_in = others[0] if others else None
        deep = flow.hops >= mesh.DEEP
        return MeshWay(*ends, left, hop.source, hop.destination, deep, floods, stand_in)

    def _likely(self, source: bytes, final: bytes) -> Flow | None:
        """Return a flow between the same two, either way, or else the longest one that has one of them for its end."""
        ends = [(one, set(one.mesh_ends(self._form))) for one in self._below]
        both = (one for one, two in ends if two == {source, final})
        shared = (one for one, two in ends if two & {source, final})
        return next(both, None) or max(shared, key=lambda one: one.hops, default=None)
