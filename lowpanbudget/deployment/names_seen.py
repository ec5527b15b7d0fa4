"""What nodes are called in a capture: by the address that frames carry, whatever they are counted under."""

from collections.abc import Iterable, Mapping

from lowpanbudget.deployment.measured import MeasuredLink, MeasuredNode
from lowpanbudget.deployment.on_the_way import LostOnLink, RelayWait
from lowpanbudget.values import replace

MOST_NODES = 8192


class NamesSeen:
    """The addresses that frames from and to each node carry, a short one first."""

    def __init__(self) -> None:
        self._carried: dict[bytes, list[bytes]] = {}

    def hear(self, node: bytes | None, carried: bytes | None) -> None:
        """Take an address that a frame carries of a node, which is counted under the name ``node``."""
        if node is None or carried is None:
            return
        names = self._carried.get(node)
        if names is None:
            if len(self._carried) < MOST_NODES:
                self._carried[node] = [carried]
        elif len(names) == 1 and carried != names[0]:
            names.append(carried)
            names.sort(key=len)  # with its own address a node speaks only until it has a short one

    def name(self, node: bytes) -> bytes:
        """Return the address that frames carry."""
        return self._carried.get(node, [node])[0]

    def other(self, node: bytes, device: bytes) -> bytes | None:
        """Return the other address of a node that is known to be a ``device``; None where none is known."""
        names = [*self._carried.get(node, []), node, device]
        return next((one for one in names if one != names[0]), None)

    def nodes(
        self, nodes: Iterable[MeasuredNode], devices: Mapping[bytes, bytes]
    ) -> tuple[MeasuredNode, ...]:
        """Return nodes with the names that frames carry; ``devices`` are those that nodes became known to be."""
        return tuple(
            replace(
                one,
                node=self.name(one.node),
                other=self.other(one.node, devices.get(one.node, one.node)),
            )
            for one in nodes
        )

    def links(self, links: Iterable[MeasuredLink]) -> tuple[MeasuredLink, ...]:
        """Return links with the names that frames carry."""
        return tuple(
            replace(one, sender=self.name(one.sender), receiver=self.name(one.receiver))
            for one in links
        )

    def waits(self, waits: Iterable[RelayWait]) -> tuple[RelayWait, ...]:
        """Return waits with the names that frames carry."""
        return tuple(one._replace(node=self.name(one.node)) for one in waits)

    def lost(self, links: Iterable[LostOnLink]) -> tuple[LostOnLink, ...]:
        """Return where messages were lost with the names that frames carry."""
        return tuple(
            one._replace(sender=self.name(one.sender), receiver=self.name(one.receiver))
            for one in links
        )

    def hops(self, counted: Mapping[tuple[bytes, bytes], int]) -> dict[tuple[bytes, bytes], int]:
        """Return what was counted by sender and receiver, with the names that frames carry."""
        return {
            (self.name(sender), self.name(receiver)): count
            for (sender, receiver), count in counted.items()
        }
