"""Who hears whom in a tree, and who spoils what others receive: from hops apart, as the design states them."""

from lowpanbudget.deployment.contention_rules import HearingRanges
from lowpanbudget.design.tree import Tree

_NOT_AT_ALL = 1 << 30  # hops between a node and itself, which does not hear what it sends


def reception_of(tree: Tree) -> HearingRanges:
    """Return for each node those that hear it, and those whose reception it disturbs."""
    import numpy as np  # noqa: PLC0415

    count, depth = len(tree.parents), tree.depth
    hops = np.array(tree.hops)
    # the node's ancestor at each depth; a place of its own beyond its depth, so that it is nobody else's
    above = np.arange(count)[:, None] + np.zeros(depth + 1, dtype=int) + count
    for node in range(count):
        for ancestor in tree.way(node):
            above[node, hops[ancestor]] = ancestor
    hears, disturbs = [], []
    for node in range(count):
        same = (above == above[node]).sum(axis=1)
        apart = np.maximum(hops, hops[node]) + 1 - same
        apart[node] = _NOT_AT_ALL
        hears.append(tuple(map(int, np.flatnonzero(apart <= tree.hears))))
        disturbs.append(tuple(map(int, np.flatnonzero(apart <= tree.disturbs))))
    return HearingRanges(tuple(hears), tuple(disturbs))
