"""A burst with all that it is fired on: its way, its packets as frames, what is asked for."""

from collections.abc import Iterator
from math import ceil
from typing import NamedTuple

from lowpanbudget.deployment.airtime import MessageAirtime, airtime_of
from lowpanbudget.deployment.contention_ways import fragment_pause
from lowpanbudget.deployment.fragments import burst_words
from lowpanbudget.deployment.link_load import sums_of
from lowpanbudget.deployment.load import loads
from lowpanbudget.deployment.traffic import CarriedFrame, Traffic, is_below
from lowpanbudget.design.access import Access
from lowpanbudget.design.goals import MOST, Burst
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.tree import Tree
from lowpanbudget.errors import RequestError
from lowpanbudget.room.fit import Fit
from lowpanbudget.room.measure import room_of


class FiredBurst(NamedTuple):
    """A burst with all that it is fired on."""

    design: Design
    access: Access
    traffic: Traffic
    burst: Burst
    way: tuple[int, ...]
    packet: tuple[MessageAirtime, MessageAirtime]
    frames: tuple[tuple[CarriedFrame, ...], ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of the nodes on the way."""
        return tuple(self.traffic.tree.names[node] for node in self.way)

    @property
    def is_apart(self) -> bool:
        """Return whether each packet takes several frames, each of which is forwarded by itself."""
        return len(self.frames[0]) > 1 and (self.design.link.recoverable or not self.is_led)

    @property
    def is_led(self) -> bool:
        """Return whether the first of them tells the others the way; in a mesh each knows its end."""
        return not is_below(self.design, self.burst.flow)

    @property
    def recovers(self) -> bool:
        """Return whether fragments that are lost are asked for again."""
        return self.design.link.recoverable and len(self.frames[0]) > 1

    @property
    def taken(self) -> Iterator[str]:
        """Return what is taken for granted of packets in several frames."""
        if len(self.frames[0]) > 1:
            yield from burst_words(
                self.burst.name,
                self.pause,
                apart=self.is_apart,
                recovers=self.recovers,
                led=self.is_led,
            )

    @property
    def pause(self) -> int:
        """Return how many transmissions its sender lets pass between fragments, 0 where cells keep them apart."""
        return 0 if self.access.slots is not None else fragment_pause(self.traffic.tree)

    @property
    def lasts_s(self) -> float:
        """Return the seconds from the first packet to the last."""
        return (self.burst.packets - 1) * self.burst.every_s

    @property
    def wanted(self) -> float:
        """Return the chance that is asked for."""
        limits = self.design.limits
        return MOST if limits is None else limits.latency_share

    @property
    def air_s(self) -> float:
        """Return the mean seconds that all its transmissions are on the air, if none is dropped or hit by another."""
        sums = [
            sums_of(self.frames[min(hop, 1)], self.access.retries + 1)
            for hop in range(len(self.way) - 1)
        ]
        return self.burst.packets * sum(one.air_us + one.answer_us for one in sums) / 1e6

    @property
    def can_be_in(self) -> bool:
        """Return whether all packets can be in in time if nothing is lost, nobody else sends and no queue is full.

        The last one has to pass its links, and the sender's link to take all of them. It says no only where that is
        sure: each frame takes a cell, of which any stretch of a slotframe has the same number, or its time on the air.
        """
        within_s, first = self.burst.all_in_s, self.frames[0]
        if within_s is None:
            return True
        count, hops, slots = len(first), len(self.way) - 1, self.access.slots
        passed = hops + count - 1 if self.is_apart else hops * count
        if slots is None:
            air_s = [frame.air_us / 1e6 for hop in self.frames for frame in hop]
            return (
                self.lasts_s + passed * min(air_s) <= within_s
                and self.burst.packets * count * min(air_s) <= within_s
            )
        slot_s = slots.template.length / 1e6
        cells = slots.cells * ceil(within_s / slots.slotframe_s)
        # a slot less, in which the first of them may lie already
        return (
            self.lasts_s + (passed - 1) * slot_s <= within_s and self.burst.packets * count <= cells
        )


def packet_of(design: Design, burst: Burst) -> tuple[MessageAirtime, MessageAirtime]:
    """Return what one packet takes on the air on the first hop and on later ones."""
    flow = design.flow(burst.flow)
    found = []
    for path in design.paths(flow):
        count = path.count(burst.octets)
        one = Fit(
            burst.name, flow.name, path.hop.name, flow.direction, burst.octets, burst.octets, burst.octets * 8,
            room_of(path), count <= flow.most_frames, count, flow.most_frames, 0, "", 0, (),
        )  # fmt: skip
        found.append(airtime_of(design, one))
    return found[0], found[-1]


def way_of(
    tree: Tree, burst: Burst, hops: int, traffic: Traffic, access: Access
) -> tuple[int, ...]:
    """Return the way from that node at the burst's hop whose links carry most."""
    wanted = burst.hops or min(hops, tree.depth)
    there = [node for node, hop in enumerate(tree.hops) if hop == wanted]
    if not there:
        raise RequestError(
            f"the burst has {wanted} hops, the tree is {tree.depth} deep", hint="Use fewer hops"
        )
    carried = loads(traffic, access.retries + 1)

    def load(node: int) -> float:
        return sum(carried[one].up.tries_per_s for one in tree.way(node))

    return tree.way(max(there, key=lambda node: (load(node), -node)))
