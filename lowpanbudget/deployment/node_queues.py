"""The queues of all nodes of a tree, each by itself in the long run."""

from collections.abc import Sequence
from functools import lru_cache
from math import inf
from typing import NamedTuple

from lowpanbudget.deployment.link_load import LinkLoad
from lowpanbudget.deployment.link_queue import link_queue, poisson
from lowpanbudget.deployment.load import NodeLoad
from lowpanbudget.design.access import Access
from lowpanbudget.design.waiting import SendQueue
from lowpanbudget.values import dataclass, field, replace

Bundles = tuple[tuple[int, float], ...]  # messages a second by their frames
ENDLESS = 64  # places that stand for any number, where the design states none
# that are calculated with: of more of them hardly any are taken, and a calculation takes their cube
_MOST_PLACES = 256
_NO_RATE = 1e-12  # messages a second: what is left where rates that are alike are subtracted


@dataclass(frozen=True, slots=True)
class SlotQueue:
    """The queue in front of a link: frames waiting, seconds from joining to the last try, the share without a place.

    ``adds_s`` is what waiting for other frames adds to the time that a frame takes with an empty queue. The share is
    plus or minus ``half_width``: 0 where it was calculated, for this queue by itself. ``lengths`` are the chances of 0,
    1, 2 ... frames waiting, calculated. ``is_short``: more comes than its cells carry; ``ends``: its places are stated,
    and are not so many that only days fill them. A full one takes ``full_s`` (infinite: no places are stated).
    """

    frames: float
    wait_s: float
    adds_s: float
    full: float
    half_width: float = 0.0
    lengths: tuple[float, ...] = field(default=(), repr=False)
    is_short: bool = False
    ends: bool = True
    full_s: float = inf

    @property
    def grows(self) -> bool:
        """Return whether it only ever grows."""
        return self.is_short and not self.ends

    def fits(self, frames: int) -> float:
        """Return the chance that a message of so many frames, all there at once, finds a place for each."""
        if frames == 1 or not self.ends:
            return 1 - self.full
        return min(sum(self.lengths[: max(len(self.lengths) - frames, 0)]), 1 - self.full)


class NodeQueues(NamedTuple):
    """The queues of the links between a node and its parent; None where nothing is sent, or where there is no cell."""

    up: SlotQueue | None
    down: SlotQueue | None


class _Access(NamedTuple):
    """What holds for all links: how often a frame is tried, how long a slotframe is, how many places a queue has."""

    attempts: int
    slotframe_s: float
    places: int
    ends: bool


def node_queues(
    nodes: Sequence[NodeLoad], access: Access, places: SendQueue | None
) -> tuple[NodeQueues, ...]:
    """Return the queues of all nodes, none where there are no slots. Links that carry the same are calculated once.

    What begins at a node comes at any time (Poisson); what is passed on comes as the cells of the other link bring it:
    one frame a cell at most, a message of several when its last one is there.
    """
    slots = access.slots
    if slots is None:
        return (NodeQueues(None, None),) * len(nodes)
    link = _Access(
        access.retries + 1, slots.slotframe_s, ENDLESS if places is None else places.of(1), places is not None
    )  # fmt: skip
    root = link if places is None else link._replace(places=places.of(0))
    children: list[list[NodeLoad]] = [[] for _ in nodes]
    for node in nodes[1:]:
        children[node.parent].append(node)
    found = [NodeQueues(None, None)]
    for node in nodes[1:]:
        coming = tuple(_beyond(child.up, child.ends) for child in children[node.node])
        up = _queue(node.up, _sorted(node.own), coming, slots.cells, link)
        # a link down from a node brings on what came to it; of the root all begins there
        passed: tuple[Bundles, ...] = ()
        if nodes[node.parent].node:
            begins, passed, sender = node.begun, (_beyond(node.down, node.begun),), link
        else:
            begins, sender = node.down, root
        down = _queue(node.down, _sorted(begins), passed, slots.cells_down, sender)
        found.append(NodeQueues(up, down))
    return tuple(found)


def full_nodes(
    nodes: Sequence[NodeLoad], queues: Sequence[NodeQueues], places: SendQueue
) -> dict[int, float]:
    """Return the chance that all places of a node are taken, of those whose links share them.

    The queues are taken each by itself, and what waits in them as independent: what comes together, as an answer to a
    request, fills more.
    """
    held: dict[int, list[SlotQueue]] = {}
    for node, (up, down) in zip(nodes, queues, strict=True):
        for holder, queue in ((node.node, up), (node.parent, down)):
            if queue is not None and places.shared:
                held.setdefault(holder, []).append(queue)
    return {holder: _taken(found) for holder, found in held.items() if len(found) > 1}


def _taken(queues: Sequence[SlotQueue]) -> float:
    """Return the chance that all places are taken which queues of as many places share."""
    import numpy as np  # noqa: PLC0415

    places = len(queues[0].lengths) - 1
    below = np.ones(1)
    for queue in queues:
        below = np.convolve(below, queue.lengths)[:places]
    return max(1 - float(below.sum()), 0.0)


def _beyond(link: LinkLoad, part: LinkLoad) -> Bundles:
    """Return what a link carries besides a part of it."""
    rates = {frames: rate - part.bundles.get(frames, 0.0) for frames, rate in link.bundles.items()}
    return tuple(sorted((frames, rate) for frames, rate in rates.items() if rate > _NO_RATE))


def _sorted(link: LinkLoad) -> Bundles:
    return tuple(sorted(link.bundles.items()))


def _queue(
    load: LinkLoad, own: Bundles, passed_on: tuple[Bundles, ...], cells: int, link: _Access
) -> SlotQueue | None:
    """Return the queue of a link; None where nothing is sent, or there is no cell."""
    if not cells or not load.frames_per_s:
        return None
    is_short = load.tries_per_s * link.slotframe_s >= cells
    full_s = link.places * load.tries_a_frame * link.slotframe_s / cells if link.ends else inf
    if is_short:
        # full in the long run, however many places there are: the share that finds none is that of fewer
        link = link._replace(
            places=_countable(link.places), ends=link.places <= _MOST_PLACES and link.ends
        )
    found = _calculated(cells, load.tries_a_frame, own, tuple(sorted(passed_on)), link)
    return replace(found, is_short=is_short, ends=link.ends, full_s=full_s)


def countable_queue(queue: SendQueue | None) -> SendQueue | None:
    """Return the places that stand for so many where more comes than goes: what is played would never fill them."""
    if queue is None:
        return None
    root = None if queue.root_frames is None else _countable(queue.root_frames)
    return replace(queue, frames=_countable(queue.frames), root_frames=root)


def _countable(places: int) -> int:
    return places if places <= _MOST_PLACES else ENDLESS


@lru_cache(maxsize=512)  # links that carry the same, also in designs with one change
def _calculated(
    cells: int, tries: float, own: Bundles, passed_on: tuple[Bundles, ...], link: _Access
) -> SlotQueue:
    import numpy as np  # noqa: PLC0415

    cell_s = link.slotframe_s / cells
    arrivals = np.ones(1)
    for frames, per_s in own:
        arrivals = np.convolve(arrivals, poisson(per_s * cell_s, frames))
    for bundles in passed_on:
        arrivals = np.convolve(arrivals, _a_cell(bundles, cell_s))
    # frames of all lengths are tried as often as they are on average
    queue = link_queue(
        list(map(float, arrivals)), _success(tries, link.attempts), link.attempts, min(link.places, _MOST_PLACES)
    )  # fmt: skip
    # a frame comes half a cell before the next one on average, wherever in it
    wait = max(queue.mean_wait - 0.5, 0.0)
    accepted = queue.mean_frames / queue.mean_wait if queue.mean_wait else 0.0
    return SlotQueue(
        wait * accepted,
        wait * cell_s,
        max(queue.mean_wait - tries, 0.0) * cell_s,
        queue.full,
        lengths=queue.lengths,
    )


def _a_cell(bundles: Bundles, cell_s: float) -> list[float]:
    """Return the chances of 0, 1, 2 ... frames that one cell brings: its messages in turn, one frame a cell at most."""
    taken = sum(frames * per_s for frames, per_s in bundles) * cell_s
    most = max(taken, 1.0)
    chances = [0.0] * (max((frames for frames, _ in bundles), default=0) + 1)
    for frames, per_s in bundles:
        chances[frames] += per_s * cell_s / most
    chances[0] = 1 - sum(chances)
    return chances


def _success(tries: float, attempts: int) -> float:
    """Return the chance of success with which a frame takes so many tries on average, of so many at most."""
    low, high = 1e-9, 1.0
    while low < (middle := (low + high) / 2) < high:  # until no number lies between them
        if (1 - (1 - middle) ** attempts) / middle > tries:
            low = middle
        else:
            high = middle
    return high
