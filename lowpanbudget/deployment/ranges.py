"""Who hears whom in a tree, and who spoils what others receive: from hops apart, as the design states them."""

from functools import lru_cache

from lowpanbudget.deployment.contention_rules import HearingRanges
from lowpanbudget.design.tree import Tree


@lru_cache(maxsize=8)  # loads, channels and bursts of a tree all ask for it
def reception_of(tree: Tree) -> HearingRanges:
    """Return for each node those that hear it, and those whose reception it disturbs."""
    import numpy as np  # noqa: PLC0415

    count, depth = len(tree.parents), tree.depth
    hops, nodes = np.array(tree.hops), np.arange(count)
    # the node's ancestor at each depth; a place of its own beyond its depth, so that it is nobody else's
    above = np.arange(count)[:, None] + np.zeros(depth + 1, dtype=int) + count
    for node in range(count):
        for ancestor in tree.way(node):
            above[node, hops[ancestor]] = ancestor
    shared = list(range(count))  # one number for each node, however often it is heard
    hears: list[tuple[int, ...]] = []
    disturbs: list[tuple[int, ...]] = []
    for node in range(count):
        same = (above == above[node]).sum(axis=1)
        apart = np.maximum(hops, hops[node]) + 1 - same
        others = nodes != node  # it does not hear what it sends
        for found, most in ((hears, tree.hears), (disturbs, tree.disturbs)):
            found.append(tuple(map(shared.__getitem__, np.flatnonzero(others & (apart <= most)))))
    return HearingRanges(tuple(hears), tuple(disturbs))
