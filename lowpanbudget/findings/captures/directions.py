"""What the RPL option of a datagram says of its way: flags, direction and sender rank, beside the ranks announced."""

from typing import NamedTuple

from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import interface_identifier, link_text
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Certainty, Hit
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.passages import Passage
from lowpanbudget.findings.ranks import AnnouncedRank, AnnouncedRanks
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet.rpi import RplOption
from lowpanbudget.layers.internet.rpl.messages import INFINITE_RANK
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.values import dataclass, field

DIRECTIONS = Subject("directions")

_OFTEN = (
    3  # datagrams, and stretches between two DIOs, that make it no change of parents; our choice
)


def _announced(
    ranks: AnnouncedRanks, option: RplOption, link: bytes | None
) -> AnnouncedRank | None:
    """Return what a node announces in the instance of an option; None where it was not heard to."""
    identifier = None if link is None or link == BROADCAST else interface_identifier(link)
    return None if identifier is None else ranks.get((option.rpl_instance_id, identifier))


def _is_announced(ranks: AnnouncedRanks, told: AnnouncedRank, rank: int) -> bool:
    """Return whether a sender rank is one that its node announced, or none that can be.

    Zero is what sources write there, INFINITE_RANK who sends into the next version (RFC 6550 section 11.2.2.2).
    """
    return rank in {0, INFINITE_RANK} or ranks.is_announced(told, rank)


# --- the sender rank -------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Unannounced:
    """Datagrams with a sender rank that their node did not announce; ``counts`` are its DIOs up to each of them."""

    count: int = 0
    counts: set[int] = field(default_factory=set)
    frames: Frames = field(default_factory=Frames)


# by instance, link source and sender rank
Unannounced = FirstNamed[tuple[int, bytes, int], _Unannounced]


@DIRECTIONS.rule(
    "sender-rank-not-announced", HeardDatagram, memory=FirstNamed, concerns=concerns.rpl_option
)
def sender_rank_used(memory: Unannounced, scene: Scene, datagram: HeardDatagram) -> None:
    """Note sender ranks that their node did not announce up to now."""
    option, link = datagram.rpl_option, datagram.link_source
    if option is None or link is None:
        return
    ranks = scene.known.ranks
    told = _announced(ranks, option, link)
    if told is None or _is_announced(ranks, told, option.sender_rank):
        return
    key = option.rpl_instance_id, link, option.sender_rank
    used = memory.entry(key, _Unannounced)
    if used is not None:
        used.count += 1
        used.frames.note(*datagram.numbers)
        if len(used.counts) < _OFTEN:
            used.counts.add(told.count)


@DIRECTIONS.at_end("sender-rank-not-announced")
def sender_rank_not_announced(memory: Unannounced, known: Surroundings) -> Hits:
    """Tell those that stand between several DIOs of their node, all of which say otherwise: no DIO was missed there."""
    for (instance, link, rank), used in memory.items():
        told = known.ranks.get((instance, interface_identifier(link) or 0))
        if told is None or len(used.counts) < _OFTEN or _is_announced(known.ranks, told, rank):
            continue
        said = ", ".join(map(str, sorted(told.ever)))
        cause = f"the RPL option says sender rank {rank}, the DIOs of {link_text(link)} say {said}"
        frames = (*used.frames[:1], told.last, *used.frames[1:])
        yield Hit(cause, (), link_text(link), frames, times=used.count)


# --- the direction ---------------------------------------------------------------------------------------


class _MarkedHop(NamedTuple):
    """An instance, sender and receiver of datagrams that go ``down``, or up, with their ranks."""

    instance: int
    source: bytes
    receiver: bytes
    down: bool
    ranks: tuple[int, int]


@dataclass(slots=True)
class _Against:
    """Datagrams against the ranks of their hop, up to the next DIO of their receiver, and those that one confirmed.

    ``at`` are its DIOs up to the last of them, ``stretches`` how many confirmed some.
    """

    at: int = 0
    waiting: int = 0
    count: int = 0
    stretches: int = 0
    frames: Frames = field(default_factory=Frames)

    def settle(self, receiver: AnnouncedRank | None, rank: int) -> None:
        """Count those behind which the receiver announced the rank that it had before."""
        if receiver is None or receiver.count == self.at:
            return
        if receiver.rank == rank and self.waiting:
            self.count += self.waiting
            self.stretches += 1
        self.at, self.waiting = receiver.count, 0


@dataclass(slots=True)
class Directions:
    """The RPL options of the last datagrams by the frames that brought them, and hops against the ranks announced."""

    options: Recent[int, RplOption] = field(default_factory=lambda: Recent(2048))
    hops: FirstNamed[_MarkedHop, _Against] = field(default_factory=FirstNamed)

    def before(self, ranks: AnnouncedRanks, passage: Passage, option: RplOption) -> int | None:
        """Return the rank that a datagram came with, which does not fit its direction; None where it fits."""
        last, now = passage.hops[-1], passage.now
        before = self.options.get(last.number)
        if before is None or last.destination != now.source or before.down != option.down:
            return None
        if passage.round:
            return None  # a loop, which is told as one
        if before.rpl_instance_id != option.rpl_instance_id or not before.sender_rank:
            return None  # "set to zero by the source" (section 11.2)
        sender = _announced(ranks, before, last.source)
        if sender is not None and not _is_announced(ranks, sender, before.sender_rank):
            return None  # it is that one's rank that is wrong
        told = before.sender_rank, option.sender_rank
        if max(told) >= ranks.increase:  # no DAGRank, as it should be, but the rank itself
            told = ranks.step(told[0]), ranks.step(told[1])
        lower, higher = told[::-1] if option.down else told
        return before.sender_rank if lower < higher else None

    def take(self, ranks: AnnouncedRanks, option: RplOption, datagram: HeardDatagram) -> None:
        """Note a datagram that goes down to a node of lower rank, or up to one of higher, by what both announce."""
        source, receiver = datagram.link_source, datagram.link_destination
        told, to = _announced(ranks, option, source), _announced(ranks, option, receiver)
        if source is None or receiver is None or told is None or to is None:
            return
        if told.dodag != to.dodag or INFINITE_RANK in {told.rank, to.rank}:
            return
        if option.sender_rank not in {told.rank, ranks.step(told.rank)}:
            return  # it sets none, or has another by now
        down, steps = option.down, (ranks.step(told.rank), ranks.step(to.rank))
        if steps[0] == steps[1] or (steps[0] > steps[1]) is not down:
            return
        key = _MarkedHop(option.rpl_instance_id, source, receiver, down, (told.rank, to.rank))
        hop = self.hops.entry(key, lambda: _Against(to.count))
        if hop is not None:
            hop.settle(to, to.rank)
            hop.waiting += 1
            hop.frames.note(*datagram.numbers)


@DIRECTIONS.rule(
    "rank-error-flagged", HeardDatagram, memory=Directions, concerns=concerns.rpl_option
)
def rank_error_flagged(memory: Directions, scene: Scene, datagram: HeardDatagram) -> Hits:
    """Look at the flags of the RPL option, and whether its rank asks for one that is not set."""
    option = datagram.rpl_option
    if option is None:
        return
    memory.options[datagram.numbers[0]] = option
    passage, ranks = scene.passage, scene.known.ranks
    against = None if passage is None else memory.before(ranks, passage, option)
    if passage is not None and against is not None and not option.rank_error:
        way, than = ("down", "higher") if option.down else ("up", "lower")
        cause = (
            f"datagrams that go {way} come from a node of {than} rank, and it is not flagged (R)"
        )
        evidence = (f"sender rank {against}, then {option.sender_rank}",)
        frames = passage.numbers[-2:]
        yield Hit(cause, evidence, scene.sender, frames, certainty=Certainty.CAPTURE)
    if option.rank_error:
        cause = "the RPL option says that a rank did not fit the direction (R)"
        yield Hit(cause, (f"sender rank {option.sender_rank}",), scene.sender, datagram.numbers)
    elif passage is None or not passage.round:
        memory.take(ranks, option, datagram)
    if option.forwarding_error:
        cause = "the RPL option says that a child could not forward (F)"
        yield Hit(cause, (f"sender rank {option.sender_rank}",), scene.sender, datagram.numbers)


_FLAG = (
    "Where the receiver is the parent that the sender chose, the flag is wrong: O is set in what goes down along "
    "routes of DAOs, and cleared in what goes towards the root. Else look why the sender takes this node for its next."
)


@DIRECTIONS.at_end("rank-error-flagged")
def direction_against_ranks(memory: Directions, known: Surroundings) -> Hits:
    """Tell the hops that go against ranks which both nodes announce before and after."""
    for hop, found in memory.hops.items():
        receiver = known.ranks.get((hop.instance, interface_identifier(hop.receiver) or 0))
        found.settle(receiver, hop.ranks[1])
        if receiver is None or found.stretches < 2 or found.count < _OFTEN:
            continue
        # one that had a rank which fits, at whatever time, changes its parents, or is two nodes under one address
        own, steps = (
            known.ranks.step(hop.ranks[0]),
            map(known.ranks.step, receiver.ever - {INFINITE_RANK}),
        )
        if any(own <= step if hop.down else own >= step for step in steps):
            continue
        mark, than = ("down (O)", "lower") if hop.down else ("up", "higher")
        cause = f"datagrams that are marked as going {mark} are sent to a node of {than} rank"
        text = f"{link_text(hop.source)} has rank {hop.ranks[0]}, {link_text(hop.receiver)} {hop.ranks[1]}"
        yield Hit(
            cause, (text,), link_text(hop.source), tuple(found.frames), None, _FLAG, found.count,
            certainty=Certainty.CAPTURE,
        )  # fmt: skip
