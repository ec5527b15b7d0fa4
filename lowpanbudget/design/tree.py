"""Who forwards for whom: ``[tree]`` with the nodes at each hop, or ``parent`` of each ``[[station]]``."""

from collections.abc import Iterator, Sequence
from typing import Literal, Protocol

from lowpanbudget.design.spelling import spelled
from lowpanbudget.design.table import ShapeTable, key
from lowpanbudget.design.takes import Listed, Whole, Words
from lowpanbudget.errors import plural
from lowpanbudget.payload.flaws import Flaw, Path
from lowpanbudget.values import dataclass

_NO_PARENT = -1
_MOST_NODES = 2000  # who hears whom is held of every two
_ROOTS = ("border", "collector")


class TreeShape(ShapeTable):
    """Who forwards for whom: nodes by hop, or the parent of each station; and how far nodes are heard."""

    by_hop: list[int] = key(
        Listed(Whole(1, _MOST_NODES)),
        "Nodes at hop 1, 2 and so on, 2000 in all at most: who hears whom is held of every two. The parents of a hop "
        "get equal shares. Left out where stations name a parent.",
        default=(),
    )
    hears: int = key(
        Whole(0, 254),
        "A node hears others up to so many hops apart, and waits for them before it sends. Two nodes are as far apart "
        "as the longer of their ways to the node of the tree where these meet: parents, children and those with the "
        "same parent are 1 apart, all others 2 or more.",
        default=1,
    )
    disturbs: int = key(
        Whole(0, 254),
        "It spoils what others receive up to so many hops apart, counted as for hears; those that it does not hear are "
        "hidden from it.",
        default=2,
    )
    senders: Literal["all", "named"] = key(
        Words("all", "named"),
        "Whether a flow from a node stands for every node of the tree, or for its own station alone.",
        default="all",
    )


class TreeStation(Protocol):
    """What a station says about its place."""

    @property
    def name(self) -> str:
        """Return its name."""

    @property
    def role(self) -> str:
        """Return its role."""

    @property
    def parent(self) -> str | None:
        """Return the name of its parent."""


@dataclass(frozen=True, slots=True)
class Tree:
    """Nodes by number; 0 is the root. ``parents`` holds the number of each node's parent, -1 of the root.

    A parent comes before its children. ``hears`` and ``disturbs`` count hops (``apart``). ``all_send``: a flow from a
    node stands for every node but the root, else for the node of its station's name.
    """

    names: tuple[str, ...]
    parents: tuple[int, ...]
    hears: int
    disturbs: int
    all_send: bool

    @property
    def hops(self) -> tuple[int, ...]:
        """Return how many hops each node is from the root."""
        found: list[int] = []
        for parent in self.parents:
            found.append(0 if parent == _NO_PARENT else found[parent] + 1)
        return tuple(found)

    @property
    def depth(self) -> int:
        """Return the greatest number of hops."""
        return max(self.hops)

    def children(self) -> tuple[tuple[int, ...], ...]:
        """Return the children of each node."""
        found: list[list[int]] = [[] for _ in self.parents]
        for node, parent in enumerate(self.parents):
            if parent != _NO_PARENT:
                found[parent].append(node)
        return tuple(map(tuple, found))

    def links(self) -> tuple[int, ...]:
        """Return to how many nodes each has a link: its parent and its children."""
        return tuple(
            len(below) + (self.parents[node] != _NO_PARENT)
            for node, below in enumerate(self.children())
        )

    def way(self, node: int) -> tuple[int, ...]:
        """Return the nodes from this one to the root, both of them included."""
        found = [node]
        while (parent := self.parents[found[-1]]) != _NO_PARENT:
            found.append(parent)
        return tuple(found)

    def apart(self, one: int, other: int) -> int:
        """Return how many hops two nodes are apart: the longer way to where their ways meet.

        A node is 1 from its parent and from those with the same parent; nodes that stand along a line are as far
        apart as their hops.
        """
        first, second = self.way(one)[::-1], self.way(other)[::-1]
        same = sum(1 for here, there in zip(first, second, strict=False) if here == there)
        return max(len(first), len(second)) - same


def tree_flaws(
    shape: TreeShape | None, stations: Sequence[TreeStation], hops: int, nodes: int | None
) -> Iterator[Flaw]:
    """Yield every fault of a tree: ``hops`` is the most that a flow has, ``nodes`` what the network has."""
    named = any(station.parent is not None for station in stations)
    by_hop = () if shape is None else shape.by_hop
    if shape is not None and named == bool(by_hop):
        yield Flaw(
            ("tree", "by_hop") if named else ("tree",),
            "stations name their parents as well" if named else "there are no nodes in it",
            "State the tree one way: by_hop = [4, 4, 2], or parent in each [[station]]",
        )
        return
    if (count := sum(by_hop)) > _MOST_NODES:
        yield Flaw(
            ("tree", "by_hop"),
            f"the tree has {plural(count, 'node')} beside its root, {_MOST_NODES} are the most: who hears whom is held "
            "of every two",
            "Plan a larger network part by part, each around a root of its own",
        )
        return
    flaws = list(_parent_flaws(stations)) if named else list(_root_flaws(shape, stations))
    yield from flaws
    tree = None if flaws else tree_of(shape, stations)
    if tree is None:
        return
    path: Path = ("tree", "by_hop")
    if named:
        deepest = tree.names[tree.hops.index(tree.depth)]
        path = ("station", [station.name for station in stations].index(deepest), "parent")
    if tree.depth > hops:
        yield Flaw(
            path,
            f"the tree is {plural(tree.depth, 'hop')} deep, and no flow has more than {hops}",
            "Raise hops of the flows that come from its end",
        )
    count = len(tree.names) - 1
    if nodes is not None and count != nodes:
        yield Flaw(
            path,
            f"the tree has {plural(count, 'node')} beside its root, network.nodes says {nodes}",
            "Change one of the two",
        )
    if not named and not tree.all_send:
        yield Flaw(
            ("tree", "senders"),
            "nodes that are counted by hop have no names",
            'Use senders = "all", or name parents',
        )


def _root_flaws(shape: TreeShape | None, stations: Sequence[TreeStation]) -> Iterator[Flaw]:
    if shape is not None and root_of(stations) is None:
        yield Flaw(("tree",), "no station is the root", "Add a border or collector")


def _parent_flaws(stations: Sequence[TreeStation]) -> Iterator[Flaw]:
    """Yield faults of stations that name a parent: unknown ones, loops, and nodes that are left without one."""
    by_name = {station.name: station for station in stations}
    root = root_of(stations)
    for index, station in enumerate(stations):
        path = ("station", index, "parent")
        if station.parent is None:
            if station.role != "outside" and station is not root:
                yield Flaw(
                    ("station", index), f"{station.name!r} has no parent, and other stations have one",
                    "Add parent = ...: every node of a tree has one, but for the root",
                )  # fmt: skip
        elif station is root or station.role == "outside":
            why = "is the root" if station is root else "is outside the mesh"
            yield Flaw(path, f"{station.name!r} {why} and has no parent", "Leave it out")
        elif station.parent not in by_name or by_name[station.parent].role == "outside":
            yield Flaw(
                path, f"there is no station {station.parent!r} in the mesh",
                spelled(station.parent, (one.name for one in stations if one is not station), "Stations"),
            )  # fmt: skip
        elif (loop := _loop(station, by_name)) is not None:
            yield Flaw(path, f"its way runs in a loop: {loop}", "Every way ends at the root")


def _loop(station: TreeStation, by_name: dict[str, TreeStation]) -> str | None:
    """Return the loop that a station is part of, as text."""
    way = [station.name]
    at: TreeStation | None = station
    while at is not None and at.parent is not None and len(way) <= len(by_name):
        way.append(at.parent)
        if at.parent == station.name:
            return " to ".join(way)
        at = by_name.get(at.parent)
    return None


def root_of(stations: Sequence[TreeStation]) -> TreeStation | None:
    """Return the station that is the root: the border router, without one the collector."""
    return next((one for role in _ROOTS for one in stations if one.role == role), None)


def tree_of(shape: TreeShape | None, stations: Sequence[TreeStation]) -> Tree | None:
    """Return the tree of a design without faults, None where it states none."""
    named = [station for station in stations if station.parent is not None]
    root = root_of(stations)
    if root is None or (not named and shape is None):
        return None
    shape = TreeShape.of_defaults() if shape is None else shape
    names, parents = _by_parent(root, named) if named else _by_hop(root.name, shape.by_hop)
    return Tree(tuple(names), tuple(parents), shape.hears, shape.disturbs, shape.senders == "all")


def _by_hop(root: str, counts: Sequence[int]) -> tuple[list[str], list[int]]:
    """Return names and parents of nodes that are counted by hop: ``3.2`` is the second node of hop 3."""
    names, parents = [root], [_NO_PARENT]
    above = range(1)
    for hop, count in enumerate(counts, 1):
        first = len(names)
        names += [f"{hop}.{number + 1}" for number in range(count)]
        parents += [
            above[number * len(above) // count if count > len(above) else number]
            for number in range(count)
        ]
        above = range(first, first + count)
    return names, parents


def _by_parent(root: TreeStation, named: Sequence[TreeStation]) -> tuple[list[str], list[int]]:
    """Return names and parents of stations, parents first."""
    names, parents = [root.name], [_NO_PARENT]
    for name in names:  # it grows while it is walked
        for station in named:
            if station.parent == name:
                parents.append(names.index(name))
                names.append(station.name)
    return names, parents
