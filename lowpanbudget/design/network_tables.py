"""The tables that say how a network carries its messages, with values to begin with: what an answer about it takes.

Shares and times are invented: they stand for what somebody measures, and for what the network is wanted for.
"""

from collections.abc import Iterator
from typing import NamedTuple

from lowpanbudget.design.access import AccessShape, Method, SlotsShape
from lowpanbudget.design.goals import BurstShape, LimitsShape
from lowpanbudget.design.loss import LossShape
from lowpanbudget.design.table import ShapeTable
from lowpanbudget.design.tree import TreeShape
from lowpanbudget.design.upkeep_shape import UpkeepShape
from lowpanbudget.design.waiting import QueueShape

NODES = 50


class TableSketch(NamedTuple):
    """A table of a design file: its head, its keys with their values as written, and what it is about."""

    head: str
    shape: type[ShapeTable]
    values: dict[str, str]
    about: str = ""  # else what the shape says

    @property
    def says(self) -> str:
        """Return what it is about."""
        return self.about or (self.shape.__doc__ or "")

    @property
    def lines(self) -> tuple[str, ...]:
        """Return the table as it is written, with what it is about before it."""
        return (
            f"# {self.says}",
            self.head,
            *(f"{key} = {value}" for key, value in self.values.items()),
        )


def network_tables(method: Method, nodes: int, hops: int, flow: str) -> Iterator[TableSketch]:
    """Yield the tables of a network of so many nodes, ``hops`` deep at most, with a burst on a flow that goes up."""
    yield TableSketch("[access]", AccessShape, {"method": f'"{method}"'})
    if method == "slots":
        yield TableSketch("[access.slots]", SlotsShape, {"slotframe": "101", "cells": "1"})
        about = "What the network sends for itself: in slots, what keeps clocks together."
        yield TableSketch("[upkeep]", UpkeepShape, {"keep_alive_s": "20"}, about)
    yield TableSketch("[tree]", TreeShape, {"by_hop": str(_by_hop(nodes, hops))})
    about = "What a link loses: a guess, until somebody measures it."
    yield TableSketch("[loss]", LossShape, {"frames": "0.05"}, about)
    yield TableSketch("[queue]", QueueShape, {"frames": "16"})
    limits = {"delivery": "0.98", "latency_s": "60"}
    yield TableSketch("[limits]", LimitsShape, limits, "What the network is to keep to.")
    burst = {
        "name": '"alarm"', "flow": f'"{flow}"', "packets": "10", "octets": "20", "every_s": "1", "all_in_s": "60",
    }  # fmt: skip
    yield TableSketch("[[burst]]", BurstShape, burst)


def _by_hop(nodes: int, hops: int) -> list[int]:
    """Return equal numbers of nodes at each hop, the rest nearest to the root."""
    depth = min(nodes, hops)
    return [nodes // depth + (hop < nodes % depth) for hop in range(depth)]
