"""What queues do to the usual messages of a tree in slots: played, since queues along a path depend on each other."""

from bisect import bisect
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import accumulate
from math import ceil
from random import Random
from typing import NamedTuple

from lowpanbudget.deployment.confidence import mean_of_runs, share_of_runs
from lowpanbudget.deployment.link_load import LinkLoad
from lowpanbudget.deployment.load import NodeLoad
from lowpanbudget.deployment.node_queues import (
    ENDLESS,
    NodeQueues,
    SlotQueue,
    countable_queue,
    full_nodes,
    node_queues,
)
from lowpanbudget.deployment.service import (
    QuantileRange,
    Quantiles,
    link_states,
    passed,
    quantiles_of,
    ranges_of,
    served,
)
from lowpanbudget.deployment.slot_latency import even_cells
from lowpanbudget.deployment.slot_messages import (
    StreamHop,
    UsualSending,
    usual_arrivals,
    usual_sendings,
)
from lowpanbudget.deployment.slot_run import Arrival, QueueCount, SlotLink, run_slots
from lowpanbudget.deployment.traffic import Traffic
from lowpanbudget.design.access import Access, Slots
from lowpanbudget.design.loss import FrameLoss
from lowpanbudget.design.waiting import SendQueue
from lowpanbudget.values import replace

_QUIET = 0.02  # part of the cells below which queues are as good as empty
_SELDOM = 1e-4  # a node that is full so seldom loses next to nothing: our choice
_LEAST = 100  # messages of a kind and hop that say something
_RUNS = 20  # of a round: cells placed at random are others in each
_ROUNDS = 4  # so many are played for kinds of which a hundred come in them
_AROUND = 2.0  # so often as long as messages take is played before those that count, and behind


class PlayedStream(NamedTuple):
    """What messages of one kind met: how many there were, how many a queue refused, the share of the others.

    That share is plus or minus ``half_width``.
    ``latency``, within ``ranges``, and ``mean_s``, give or take ``mean_half_width_s``, are of those that arrived,
    losses in runs where the design states them; ``in_time`` is the share of all that was there in time, and ``arrived``
    of all that was there at all, each with its half-width.
    """

    messages: int
    refused: int
    queued: float
    half_width: float
    latency: Quantiles | None
    mean_s: float
    mean_half_width_s: float
    in_time: float | None
    in_time_half_width: float
    ranges: tuple[QuantileRange, ...]
    arrived: float
    arrived_half_width: float


class _RunCount(NamedTuple):
    """Of one kind in one run: messages, those that a queue refused, and when the others were there.

    ``refused`` adds to ``met_full`` those that links lose on the way there: they would have been refused as often.
    """

    messages: int
    met_full: int
    refused: float
    late: list[float]


def _messages(runs: Sequence[_RunCount]) -> int:
    return sum(run.messages for run in runs)


def _together(parts: Sequence[_RunCount]) -> _RunCount:
    """Return what several kinds met in one run."""
    return _RunCount(
        _messages(parts), sum(one.met_full for one in parts), sum(one.refused for one in parts),
        [late for one in parts for late in one.late],
    )  # fmt: skip


class PlayedSlots:
    """The tree of a design with all its links, played in rounds of some runs; the more rounds, the surer.

    Each run has cells of its own where these are placed at random, and losses of its own. Queues begin as full as they
    are calculated, each by itself; messages come at any time (Poisson), before and behind those that count as well.
    Runs are independent of each other, and so tell how sure they are together; messages of one run are not.
    """

    def __init__(
        self, traffic: Traffic, nodes: Sequence[NodeLoad], access: Access, slots: Slots, loss: FrameLoss | None,
        queue: SendQueue | None, within_s: float | None, seed: int, transmissions: int,
    ) -> None:  # fmt: skip
        self._holds, places = queue, None if queue is None else queue.frames
        self._traffic, self._nodes, self._access, self._slots = traffic, nodes, access, slots
        self._loss, self._places, self._within_s, self._seed = loss, places, within_s, seed
        up_s, down_s = slots.cells / slots.slotframe_s, slots.cells_down / slots.slotframe_s
        tries = sum(
            min(node.up.tries_per_s, up_s) + min(node.down.tries_per_s, down_s) for node in nodes
        )
        slot_s = slots.template.length / 1e6
        # whole slots, in which queues are counted
        self._span_s = ceil(transmissions / _RUNS / tries / slot_s) * slot_s if tries else 0.0
        self._sendings = list(usual_sendings(traffic, nodes))
        self._calculated = node_queues(nodes, access, queue)
        self._begin = [one for both in zip(*self._calculated, strict=True) for one in both]
        if any(one is not None and one.grows for one in self._begin):
            self._places, self._holds = ENDLESS, countable_queue(queue)
        around_s = min(_AROUND * self._longest_s(), self._span_s)
        self._around_s = ceil(around_s / slot_s - 1e-9) * slot_s
        self._before = {
            key: self._passed(one) for key, one in {one.key: one for one in self._sendings}.items()
        }
        # of each link: frames a second by the links that they still have to pass
        self._onward: list[Counter[tuple[int, ...]]] = [Counter() for _ in self._begin]
        for one in self._sendings:
            for at, (link, comes) in enumerate(zip(one.way, self._before[one.key], strict=False)):
                self._onward[link][one.way[at:]] += comes * one.frames / one.every_s  # type: ignore[assignment]
        self._likeness = {one.key: (*one.key[2:], one.frames) for one in self._sendings}
        self._counts: dict[StreamHop, list[_RunCount]] = {key: [] for key in self._before}
        self._queues: list[tuple[QueueCount, ...]] = []
        self._runs = self._rounds = 0
        octets = [frame.octets for stream in traffic.streams for frame in stream.first]
        self._states = link_states(loss, max(octets, default=0))

    def _passed(self, sending: UsualSending) -> list[float]:
        """Return the shares of messages that come to each link of their way if no queue refuses them."""
        cells = self._slots.cells if sending.key[2] in ("up", "parent") else self._slots.cells_down
        apart_s = self._slots.slotframe_s / max(cells, 1)
        attempts = self._access.retries + 1
        return [
            passed(sending.stream, hop, attempts, self._loss, apart_s)
            for hop in range(len(sending.way))
        ]

    def _longest_s(self) -> float:
        """Return about how long the slowest messages take, by their queues each by itself."""
        slots, count = self._slots, len(self._nodes)
        cell_s = [slots.slotframe_s / max(cells, 1) for cells in (slots.cells, slots.cells_down)]

        def takes(link: int, frames: int) -> float:
            queue = self._begin[link]
            # a frame behind others of its message takes a try or two
            return (0.0 if queue is None else queue.wait_s) + 1.5 * (frames - 1) * cell_s[
                link >= count
            ]

        ways = {(one.way, one.frames) for one in self._sendings}
        return max((sum(takes(link, frames) for link in way) for way, frames in ways), default=0.0)

    @property
    def tells_soon(self) -> bool:
        """Return whether of some kind and hop too few were played, and a few rounds are enough for them."""
        return self.tells_within(_ROUNDS)

    def tells_within(self, rounds: int) -> bool:
        """Return whether of some kind and hop too few were played, and so many rounds in all are enough for them."""
        alike = self._alike()
        asked = {self._likeness[one.key] for one in self._sendings if served(one.stream)}
        counts = [sum(map(_messages, alike[kind])) for kind in asked]
        more = rounds / max(self._rounds, 1)
        return more > 1 and any(count < _LEAST <= count * more for count in counts)

    @property
    def is_idle(self) -> bool:
        """Return whether so little is sent that queues are as good as empty, those that share places as well."""
        slots, holds = self._slots, self._holds
        full = {} if holds is None else full_nodes(self._nodes, self._calculated, holds)
        if max(full.values(), default=0.0) > _SELDOM:
            return False
        used = [node.up.tries_per_s / slots.cells for node in self._nodes if slots.cells]
        used += [
            node.down.tries_per_s / slots.cells_down for node in self._nodes if slots.cells_down
        ]
        return max(used, default=0.0) * slots.slotframe_s < _QUIET

    def play(self) -> None:
        """Play one round more."""
        self._rounds += 1
        for _ in range(_RUNS):
            self._run(Random(self._seed * 1_000_003 + self._runs))  # noqa: S311  # no secret: a run that can be repeated
            self._runs += 1

    def _run(self, random: Random) -> None:
        links = list(_links(self._traffic, self._nodes, self._slots, self._holds, random))
        begins, ends = self._around_s, self._around_s + self._span_s
        coming = list(usual_arrivals(self._sendings, ends + self._around_s, random))
        waiting = self.waiting(random)
        # losses from draws of their own: the same ones again would lose the frames behind short gaps
        run = run_slots(
            [*(arrival for _, arrival in coming), *waiting], links, slotframe=self._slots.slotframe,
            slot_s=self._slots.template.length / 1e6, attempts=self._access.retries + 1, places=self._places,
            seed=random.getrandbits(64), runs=self._states, counted_s=(begins, ends),
        )  # fmt: skip
        messages, met_full = dict.fromkeys(self._counts, 0), dict.fromkeys(self._counts, 0)
        refused = dict.fromkeys(self._counts, 0.0)
        late: dict[StreamHop, list[float]] = {key: [] for key in self._counts}
        for (key, arrival), at, lost, where in zip(
            coming, run.arrived_s, run.lost, run.lost_at, strict=False
        ):
            if not begins <= arrival.at_s < ends:
                continue
            messages[key] += 1
            if at is not None:
                late[key].append(at - arrival.at_s)
            elif lost == "queue" and where is not None:
                met_full[key] += 1
                refused[key] += 1 / self._before[key][arrival.way.index(where)]
        for key, runs in self._counts.items():
            runs.append(_RunCount(messages[key], met_full[key], refused[key], late[key]))
        self._queues.append(run.queues)

    def waiting(self, random: Random) -> Iterator[Arrival]:
        """Yield what waits in the queues as a run begins, each frame on one of the ways of what its link sends."""
        for link, queue in enumerate(self._begin):
            if queue is None:
                continue
            frames = bisect(list(accumulate(queue.lengths)), random.random())
            rates = self._onward[link]
            frames = min(frames, len(queue.lengths) - 1) if rates else 0
            for way in (
                random.choices(list(rates), list(rates.values()), k=frames) if frames else ()
            ):
                yield Arrival(0.0, way)

    def streams(self) -> dict[StreamHop, PlayedStream]:
        """Return what messages met, of kinds and hops of which enough were played.

        What is rare goes by all messages of as many frames over the same hops: coming at any time, all find the same
        queues.
        """
        alike, told = self._alike(), {}
        for key, own in self._counts.items():
            runs = own
            if _messages(runs) < _LEAST:
                runs = list(map(_together, zip(*alike[self._likeness[key]], strict=True)))
            if _messages(runs) >= _LEAST:
                told[key] = self._told(runs)
        return told

    def _alike(self) -> dict[tuple[str, int, int], list[list[_RunCount]]]:
        """Return what was counted of kinds that go the same way over as many hops in as many frames."""
        found: dict[tuple[str, int, int], list[list[_RunCount]]] = {}
        for key, runs in self._counts.items():
            found.setdefault(self._likeness[key], []).append(runs)
        return found

    def _told(self, runs: Sequence[_RunCount]) -> PlayedStream:
        refused, half = share_of_runs([(run.refused, run.messages) for run in runs])
        late = sorted(one for run in runs for one in run.late)
        within, in_time, in_time_half = self._within_s, None, 0.0
        if within is not None:
            in_time, in_time_half = share_of_runs(
                [(sum(one <= within for one in run.late), run.messages) for run in runs]
            )
        return PlayedStream(
            _messages(runs), sum(run.met_full for run in runs), max(1 - refused, 0.0), half, quantiles_of(late),
            *mean_of_runs([run.late for run in runs]), in_time, in_time_half,
            ranges_of([run.late for run in runs]),
            *share_of_runs([(len(run.late), run.messages) for run in runs]),
        )  # fmt: skip

    def queues(self) -> tuple[NodeQueues, ...]:
        """Return the queues of all nodes: as they were played, but where what comes is their own alone and exact."""
        nodes, slots = self._nodes, self._slots
        count, found = len(nodes), []
        for index, exact in enumerate(self._calculated):
            node = nodes[index]
            up = exact.up
            if node.behind or self._states is not None:
                up = self._queue(index, node.up, slots.cells, exact.up)
            down = self._queue(count + index, node.down, slots.cells_down, exact.down)
            found.append(NodeQueues(up, down))
        return tuple(found)

    def _queue(
        self, link: int, load: LinkLoad, cells: int, calculated: SlotQueue | None
    ) -> SlotQueue | None:
        """Return a queue as it was played; one to which next to nothing comes as it is calculated by itself."""
        runs = [queues[link] for queues in self._queues]
        came, refused = sum(run.came for run in runs), sum(run.refused for run in runs)
        if calculated is None or came < _LEAST:
            return calculated
        full, half = share_of_runs([(run.refused, run.came) for run in runs])
        waiting = sum(run.frame_s for run in runs)
        wait_s = waiting / (came - refused) if came > refused else 0.0
        # an empty queue alone waits half the way from one cell to the next before the first try
        tries_s = (load.tries_a_frame - 0.5) * self._slots.slotframe_s / cells
        return replace(
            calculated, frames=waiting / (self._runs * self._span_s), wait_s=wait_s,
            adds_s=max(wait_s - tries_s, 0.0), full=full, half_width=half,
        )  # fmt: skip


def _links(
    traffic: Traffic, nodes: Sequence[NodeLoad], slots: Slots, queue: SendQueue | None, random: Random
) -> Iterator[SlotLink]:  # fmt: skip
    """Yield the links of all nodes to their parents, then those from them."""
    depth, are_shared = traffic.tree.depth, queue is not None and queue.shared

    def link(load: LinkLoad, cells: int, step: int, along: str, sender: int) -> SlotLink:
        step = step if slots.order == along else -step
        first = random.randrange(slots.slotframe) if slots.order == "random" else step
        # what no cell sends does not stand in the way of the rest
        holder = sender if are_shared and cells else None
        places = even_cells(cells, slots.slotframe, first)
        return SlotLink(
            places, load.loss, load.answer_loss, holder, None if queue is None else queue.of(sender)
        )

    yield from (link(node.up, slots.cells, depth - node.hop, "up", node.node) for node in nodes)
    yield from (link(node.down, slots.cells_down, node.hop, "down", node.parent) for node in nodes)
