"""``carry --burst``: what becomes of a burst, packet by packet, on a network with its usual messages."""

from collections.abc import Callable, Iterator

from lowpanbudget.arguments import function_or_none, whole_number
from lowpanbudget.deployment.airtime import airtime
from lowpanbudget.deployment.burst_fired import FiredBurst, packet_of, way_of
from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.burst_runs import BurstRun, contention_runs, refuse_crowds, slot_runs
from lowpanbudget.deployment.burst_told import planned
from lowpanbudget.deployment.fragments import with_acknowledgements
from lowpanbudget.deployment.traffic import carried_frames, same_frames, traffic_of
from lowpanbudget.design.lacking import lacking
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import RequestError
from lowpanbudget.values import replace

Tell = Callable[[int, int], None]  # how many runs are done, of how many
_RUNS, _MOST_RUNS = 200, 100_000  # the most take hours, and say hardly more than a tenth of them
_LONGER = 4  # times as many where it is too close to tell, which halves what is open; our choice


def carry_burst(
    design: Design, name: str, *, seed: int = 1, runs: int | None = None, tell: Tell | None = None
) -> BurstPlan:
    """Return what becomes of the burst of this name.

    It is played ``runs`` times from ``seed`` (None: 200, and up to 800 where that is too close to tell), each time at
    another moment of the network's usual messages and, in slots, of the slotframe: what waits already, and when the
    next cell comes, decides as much as losses do. ``tell`` is called with how many are done, and of how many. Raises
    ``RequestError`` for what is no design, a burst that it does not have, a design without ``[access]`` or ``[tree]``,
    a flow that does not go up, more messages around it than can be played, or runs that are not 20 to 100 000;
    ``DoesNotFit`` where a packet is larger than any datagram.
    """
    design = Design.of(design)
    design.burst(name)
    seed = whole_number(seed, "seed")
    function_or_none(tell, "tell")
    # fewer say too little
    runs = None if runs is None else whole_number(runs, "runs", 20, _MOST_RUNS)
    return PlayedBurst(design, name, seed, keeps_queues=True).plan(runs, tell)


class PlayedBurst:
    """A burst that is played run after run, as far as is asked for: the first runs are those of every play.

    Where it ``keeps_queues`` they are told as well. Raises ``RequestError`` and ``DoesNotFit`` as ``carry_burst``.
    """

    def __init__(self, design: Design, name: str, seed: int, *, keeps_queues: bool = False) -> None:
        burst = design.burst(name)
        if design.access is None or design.tree is None:
            raise lacking(design, "access", "tree")
        access, tree = design.access.on(design.link), design.tree
        design = replace(design, access=access)
        flow = design.flow(burst.flow)
        if flow.direction != "up":
            raise RequestError(
                f"flow {flow.name!r} goes {flow.direction}, a burst is sent to the root",
                hint="Name a flow from a node to the collector, the border or outside",
            )
        packet = packet_of(design, burst)
        first, later = (tuple(carried_frames(one.frames, design.loss)) for one in packet)
        frames = first, same_frames(first, later) if design.link.recoverable else later
        traffic = with_acknowledgements(design, traffic_of(design, airtime(design)))
        way = way_of(tree, burst, flow.hops, traffic, access)
        self._place = FiredBurst(design, access, traffic, burst, way, packet, frames)
        if access.slots is not None and not access.slots.cells:
            raise RequestError("no node has a cell to its parent", hint="access.slots.cells = 1")
        refuse_crowds(traffic, burst)
        self._seed, self._keeps_queues = seed, keeps_queues
        self._runs: list[BurstRun] = []

    @property
    def can_be_in(self) -> bool:
        """Return whether all packets can be in in time at all: no run of one that cannot says more."""
        return self._place.can_be_in

    def plan(
        self, runs: int | None = None, tell: Tell | None = None, *, begun: int | None = None
    ) -> BurstPlan:
        """Return what becomes of it in so many runs, as ``carry_burst`` does.

        Where that is clear after the first ``begun`` of them it is not played on.
        """
        most = _LONGER * _RUNS if runs is None else runs
        count = min((_RUNS if runs is None else runs) if begun is None else begun, most)
        while True:
            self._play(count, tell)
            plan = planned(self._place, self._runs[:count], self._seed)
            is_open = plan.is_close and any(
                one.is_close and not one.why_open for one in plan.checks
            )
            if not is_open or count >= most:
                return plan
            count = min(count * 2, most)

    def _play(self, count: int, tell: Tell | None) -> None:
        """Play on until there are so many runs."""
        place = self._place
        play = contention_runs if place.access.slots is None else slot_runs
        numbers = _numbers(len(self._runs), count, tell)
        self._runs += play(
            place.design, place.traffic, place.way, place.frames, place.burst, numbers, self._seed,
            keeps_queues=self._keeps_queues,
        )  # fmt: skip


def runs_like(plan: BurstPlan) -> int | None:
    """Return the ``runs`` of another play that looks at a burst as a plan did: None where nobody asked for a number."""
    return None if _RUNS <= plan.runs <= _LONGER * _RUNS else plan.runs


def _numbers(begin: int, runs: int, tell: Tell | None) -> Iterator[int]:
    """Yield the numbers of the runs from the first on, and tell ahead of it and behind each how many are done."""
    for run in range(begin, runs):
        if tell is not None:
            tell(run, runs)
        yield run
    if tell is not None:
        tell(runs, runs)
