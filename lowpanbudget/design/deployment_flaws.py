"""Keys of a deployment (access, tree, loss, sleep, bursts) that contradict each other or the rest of the design."""

from collections.abc import Iterator

from lowpanbudget.design.access import access_flaws
from lowpanbudget.design.goals import burst_flaws, limits_flaws
from lowpanbudget.design.loss import loss_flaws
from lowpanbudget.design.shape import DesignShape
from lowpanbudget.design.tree import tree_flaws
from lowpanbudget.design.waiting import sleep_flaws
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.link.phy import PHYS, timing
from lowpanbudget.payload.flaws import Flaw


def deployment_flaws(shape: DesignShape) -> Iterator[Flaw]:
    """Yield every fault of how the network is to carry its messages."""
    link = shape.link
    yield from _phy_flaws(shape)
    if shape.access is not None:
        yield from access_flaws(shape.access, slotted=link.slotted)
    hops = {flow.name: flow.hops for flow in shape.flow}
    yield from tree_flaws(
        shape.tree, shape.station, max(hops.values(), default=0), shape.network.nodes
    )
    if shape.loss is not None:
        yield from loss_flaws(shape.loss)
    if shape.sleep is not None:
        yield from sleep_flaws(shape.sleep)
    yield from burst_flaws(shape.burst, hops)
    if shape.limits is not None:
        yield from limits_flaws(shape.limits, has_bursts=bool(shape.burst))


def _phy_flaws(shape: DesignShape) -> Iterator[Flaw]:
    link = shape.link
    if link.data_rate is not None:
        try:
            timing(link.phy, link.data_rate)
        except RequestError as error:
            yield Flaw(("link", "data_rate"), error.message, error.hint)
    if link.preamble is not None and not PHYS[link.phy].chooses_preamble:
        yield Flaw(
            ("link", "preamble"), f"the preamble of {link.phy} has a fixed length",
            "Leave it out; sun-fsk takes one",
        )  # fmt: skip
