"""Nodes of a DODAG beside their parents and their root: ranks, and the mode of operation."""

from collections.abc import Iterator
from ipaddress import IPv6Address

from lowpanbudget.cites import rfc
from lowpanbudget.env import IID_MASK
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.ranks import LEAST_TOLD, AnnouncedRank, AnnouncedRanks
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.rpl.messages import INFINITE_RANK, MODES, Dao, Dio
from lowpanbudget.layers.internet.rpl.options import TransitInformation
from lowpanbudget.values import dataclass, field

PARENTS = Subject("parents")


# --- ranks -----------------------------------------------------------------------------------------------


@PARENTS.rule(
    "rank-not-above-parent", HeardDatagram, varies=True, least=LEAST_TOLD, concerns=concerns.icmpv6
)
def rank_not_above_parent(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Learn ranks from DIOs; compare child and parent in each DAO, where the child announced its rank after it.

    INFINITE_RANK is no number: a parent that announces it is none any more (RFC 6550 section 8.2.2.5).
    """
    message, source = scene.message_begun, datagram.header.source
    content, ranks = None if message is None else message.message, scene.known.ranks
    if isinstance(content, Dio):
        told = ranks.take(content, int(source) & IID_MASK, scene.number)
        return None if told is None else _decided(ranks, content.rpl_instance_id, told)
    if not isinstance(content, Dao):
        return None
    instance = content.rpl_instance_id
    child = ranks.get((instance, int(source) & IID_MASK))
    if child is None or child.rank == INFINITE_RANK:
        return None
    addresses = {int(one) & IID_MASK: one for one in parents_in(content, datagram.header)}
    child.name(addresses, scene.number)
    for identifier, address in addresses.items():
        parent = ranks.get((instance, identifier))
        if parent is None or child.last < parent.first:
            continue
        if parent.last == child.held or not ranks.is_against(instance, child, parent):
            continue  # the child may have missed that DIO, of a rank that changed: only others count once more
        frames, told_of = (parent.last, child.last, scene.number), f"the parent is {address}"
        if parent.rank == INFINITE_RANK:
            child.held = parent.last
            hit = Hit(_LEFT, (told_of,), str(source), frames, advice=_LEAVE)
            return (hit._replace(cite=rfc(6550, "8.2.2.5")),)
        named = child.parents[identifier]
        named.waiting = Hit("", (told_of,), str(source), frames)
        if child.kept_under(named, parent):
            return _decided(ranks, instance, child)
    return None


def _decided(ranks: AnnouncedRanks, instance: int, child: AnnouncedRank) -> Hits | None:
    """Judge what waits for the rank that a child has under its parents, which was announced now."""
    for identifier, named in child.parents.items():
        waiting, named.waiting = named.waiting, None
        parent = ranks.get((instance, identifier))
        if waiting is None or parent is None or INFINITE_RANK in {child.rank, parent.rank}:
            continue
        if not ranks.is_against(instance, child, parent):
            continue
        child.held = waiting.frames[0]
        child.not_above += 1
        cause = (
            f"the rank is {child.rank}, and that of the parent that its DAOs name is {parent.rank}"
        )
        told = waiting.evidence[0]
        if child.rank > parent.rank:
            steps = ranks.configured[instance, child.dodag[0]]
            told += f", MinHopRankIncrease {', '.join(map(str, sorted(steps)))}"
        above, before, named_in = waiting.frames
        if child.first > before:  # another rank than was heard until then
            frames: tuple[int, ...] = (above, named_in, child.last)
        else:
            frames = waiting.frames
        return (Hit(cause, (told,), waiting.subject, frames),)
    return None


_LEFT = "its DAOs name a parent that announces INFINITE_RANK"
_LEAVE = (
    "Let the node take a parent out of its parent set when that announces INFINITE_RANK: it has left the DODAG. Where "
    "the node has no other, it detaches as well, or joins anew."
)


def parents_in(dao: Dao, header: Ipv6) -> Iterator[IPv6Address]:
    """Yield the parents that a DAO names: in non-storing mode inside, else it goes to them; none of paths that end.

    Who tells of an external target, as a leaf that speaks no RPL, names itself as that target's parent and sets E
    (RFC 9010 section 9.2.2, points 2 and 3): that says nothing of its own.
    """
    own = int(header.source) & IID_MASK
    transits = [one for one in dao.options if isinstance(one, TransitInformation)]
    for transit in transits:
        if not transit.path_lifetime:
            continue
        if transit.parent is None:
            yield header.destination
        elif not transit.external and int(transit.parent) & IID_MASK != own:
            yield transit.parent


# --- the mode of operation -------------------------------------------------------------------------------


@dataclass(slots=True)
class _Announced:
    """A mode of operation in one version of a DODAG: the lowest rank that announces it, by whom and where."""

    rank: int
    count: int = 0
    senders: set[IPv6Address] = field(default_factory=set)
    frames: Frames = field(default_factory=Frames)


# by instance, DODAG and version; then by mode
Announced = FirstNamed[tuple[int, IPv6Address, int], dict[int, _Announced]]
_MOST_SENDERS = 8


@PARENTS.rule("mode-not-the-roots", Icmpv6, memory=FirstNamed)
def mode_announced(memory: Announced, scene: Scene, message: Icmpv6) -> None:
    """Note the mode of each DIO; a leaf, of which not all is wanted, has no rank."""
    dio = message.message
    if not isinstance(dio, Dio) or scene.header is None or message.checksum_ok is False:
        return
    if dio.rank == INFINITE_RANK:
        return
    modes = memory.entry((dio.rpl_instance_id, dio.dodag_id, dio.version), dict)
    if modes is None:
        return
    told = modes.setdefault(dio.mode, _Announced(dio.rank))
    told.rank, told.count = min(told.rank, dio.rank), told.count + 1
    told.frames.note(scene.number)
    if len(told.senders) < _MOST_SENDERS:
        told.senders.add(scene.header.source)


@PARENTS.at_end("mode-not-the-roots")
def mode_not_the_roots(memory: Announced, _known: Surroundings) -> Hits:
    """Compare with the mode that the lowest rank announces: that of the root, or of who is next to it."""
    for (_, dodag, version), modes in memory.items():
        root, *others = sorted(modes, key=lambda mode: modes[mode].rank)
        for mode in others:
            names = ", ".join(map(str, sorted(modes[mode].senders)))
            cause = (
                f"mode of operation {mode} ({MODES.get(mode, 'unassigned')}) is announced where the "
                f"DODAG has {root} ({MODES.get(root, 'unassigned')})"
            )
            evidence = (
                f"DODAG {dodag}, version {version}: rank {modes[root].rank} announces {root}",
            )
            frames = (*modes[root].frames[:1], *modes[mode].frames)
            yield Hit(cause, evidence, names, frames, times=modes[mode].count)
