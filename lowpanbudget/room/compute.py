"""The room of each flow and hop, measured by encoding and shown by the ledger of a full frame."""

from lowpanbudget.arguments import whole_number
from lowpanbudget.bits import StandInOctets
from lowpanbudget.design.cautions import cautions
from lowpanbudget.design.cut import CutFrame, cut_frames
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.room.knobs import Turning
from lowpanbudget.room.ledger import Ledger
from lowpanbudget.room.measure import cliffs, room_of
from lowpanbudget.room.savings import Saving
from lowpanbudget.values import dataclass, field


@dataclass(frozen=True, slots=True)
class Budget:
    """What one flow can carry on one hop, and what would change that.

    ``room``: application octets in one frame; below 0, by how many the headers alone are over. ``ledger``: a frame
    filled to the room, or longer than the link allows when that is below 0. ``savings``: changes that give room, best
    first; ``weaker``: changes that give room and cost protection, no advice; ``stronger``: what more protection would
    take.
    """

    flow: str
    hop: str
    direction: str
    room: int
    ledger: Ledger
    savings: tuple[Saving, ...]
    weaker: tuple[Saving, ...]
    stronger: tuple[Saving, ...]
    cautions: tuple[str, ...]
    path: FlowPath = field(repr=False)

    @property
    def beyond_mtu(self) -> int:
        """Return the octets of the largest frame that no datagram reaches, where the MTU ends the room; 0 elsewhere."""
        is_full = ended_by_mtu(self.path, self.room)
        return self.path.link.largest_sent - self.ledger.octets if is_full else 0

    @property
    def in_slot(self) -> int | None:
        """Return the octets of the longest frame that a slot has time for; None where the PHY's is no longer."""
        return self.path.link.in_slot

    def cliffs(self, frames: int = 8) -> list[tuple[int, int]]:
        """Return (largest payload in octets, frames it takes) for 1 to ``frames`` frames or up to the MTU."""
        return cliffs(self.path, self.room, whole_number(frames, "frames"))

    def cut(self, octets: int) -> tuple[CutFrame, ...]:
        """Return each frame of a payload of so many octets on this hop, part by part, in order.

        Raises ``DoesNotFit`` where it cannot be sent, ``RequestError`` for what is no number of octets.
        """
        return cut_frames(self.path, whole_number(octets, "octets"))


def ended_by_mtu(path: FlowPath, room: int) -> bool:
    """Return whether a payload as large as the room makes the largest datagram that the design allows."""
    return path.datagram_octets(max(room, 0)) == path.link.mtu


def budget(design: Design, flow: str | None = None) -> list[Budget]:
    """Return a ``Budget`` for each hop of the flow of this name, or of all flows; flows in the order of the design.

    Every room is measured in octets by encoding frames. Raises ``RequestError`` for what is no design, or a flow that
    the design does not have.
    """
    design = Design.of(design)
    flows = design.flows if flow is None else (design.flow(flow),)
    turning = Turning(design)
    return [_budget(turning, path, flow) for flow in flows for path in design.paths(flow)]


def _budget(turning: Turning, path: FlowPath, flow: Flow) -> Budget:
    room = room_of(path)
    filled = path.unlimited(b"") if room < 0 else path.frames(StandInOctets(room))[0]
    changes = turning.all(path)
    return Budget(
        flow.name,
        path.hop.name,
        flow.direction,
        room,
        Ledger(filled.spans, len(filled.octets), filled.octets),
        tuple(c for c in changes if c.gain > 0 and not c.caution),
        tuple(c for c in changes if c.gain > 0 and c.caution),
        tuple(c for c in changes if c.gain <= 0 and c.stronger),
        tuple(cautions(path)),
        path,
    )
