"""What a channel that was played makes of loads: tries that collisions cost, and what of the frames is passed on."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from lowpanbudget.deployment.link_load import LinkLoad
from lowpanbudget.deployment.load import NodeLoad
from lowpanbudget.values import replace


class HopLoad(NamedTuple):
    """What a channel that was played makes of the load of those that send at one hop.

    ``resent``: how many times the tries that losses alone cost are made, since frames meet; ``up`` and ``down``: which
    shares of what others send over them come so far and are passed on.
    """

    resent: float
    up: float
    down: float


def resends(
    nodes: Sequence[NodeLoad], frames: Sequence[int], tries: Sequence[int]
) -> tuple[float, ...]:
    """Return by hop how many times the tries that losses alone cost were made on a channel that was played.

    ``frames`` each node began to send, and sent them ``tries`` times: others hit some. Never below 1.
    """
    depth = max(node.hop for node in nodes) + 1
    sums = [[0.0] * 4 for _ in range(depth)]
    for node in nodes:
        for hop, link in ((node.hop, node.up), (node.hop - 1, node.down)):
            if node.parent >= 0:
                sums[hop][0] += link.frames_per_s
                sums[hop][1] += link.tries_per_s
        sums[node.hop][2] += frames[node.node]
        sums[node.hop][3] += tries[node.node]
    return tuple(
        max(1.0, tried / begun * planned / planned_tries) if begun and planned_tries else 1.0
        for planned, planned_tries, begun, tried in sums
    )


def passed_on(
    nodes: Sequence[NodeLoad], came: Mapping[tuple[int, int], int], sent: Mapping[tuple[int, int], int]
) -> tuple[tuple[float, float], ...]:  # fmt: skip
    """Return by hop which shares of the frames that others sent are passed on, up and down: 1 where none was played.

    ``sent``: what would pass from one node to another if all came so far; ``came``: what did.
    """
    depth = max(node.hop for node in nodes) + 1
    sums = [[0.0] * 4 for _ in range(depth)]
    for (sender, receiver), count in sent.items():
        down = 0 if nodes[sender].parent == receiver else 2
        sums[nodes[sender].hop][down] += count
        sums[nodes[sender].hop][down + 1] += came.get((sender, receiver), 0)
    return tuple(
        (min(up / all_up, 1.0) if all_up else 1.0, min(down / all_down, 1.0) if all_down else 1.0)
        for all_up, up, all_down, down in sums
    )


def as_played(nodes: Sequence[NodeLoad], hops: Sequence[HopLoad]) -> tuple[NodeLoad, ...]:
    """Return the loads as it was played, by the hop of who sends."""

    def played(node: NodeLoad) -> NodeLoad:
        here, above = hops[node.hop], hops[max(node.hop - 1, 0)]
        down = node.down.thinned(LinkLoad(), above.down) if node.hop > 1 else node.down
        return replace(
            node, up=node.up.thinned(node.own, here.up).times(here.resent), own=node.own.times(here.resent),
            down=down.times(above.resent),
        )  # fmt: skip

    return tuple(map(played, nodes))
