"""Nodes that leave one parent for another and come back, again and again: their DAOs name the parents."""

from ipaddress import IPv6Address

from lowpanbudget.env import IID_MASK
from lowpanbudget.findings import concerns
from lowpanbudget.findings.captures.parents import parents_in
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.dense import Dense
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.origins import origin_of
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import HeardSender
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.internet.rpl.messages import Dao
from lowpanbudget.layers.internet.rpl.options import Target, TransitInformation
from lowpanbudget.values import dataclass, field

FLAPPING = Subject("parents")

# our choices
_STAY_S = 120.0  # with a parent, on average, which is no flapping
_LEAST = 10  # changes of parent
_MOST_PAIRS = 16

_Named = frozenset[IPv6Address]


@dataclass(slots=True)
class _Update:
    """The parents that DAOs of one Path Sequence name; in storing mode one goes to each of them."""

    sequence: int
    number: int
    time_s: float
    named: _Named


@dataclass(slots=True)
class _Child:
    """A node, the last ``update`` that it sent and the parents ``before``; its changes of all parents by pair."""

    first_s: float
    update: _Update
    by: HeardSender | None
    before: _Named = frozenset()
    changes: Dense = field(default_factory=lambda: Dense(_STAY_S))
    pairs: dict[tuple[_Named, ...], int] = field(default_factory=dict)

    def end_update(self) -> None:
        """Compare the parents of an update that is over with those before it."""
        update = self.update
        if self.before and not self.before & update.named:
            self.changes.take(update.time_s, update.number)
            pair = tuple(sorted((self.before, update.named), key=min))
            if pair in self.pairs or len(self.pairs) < _MOST_PAIRS:
                self.pairs[pair] = self.pairs.get(pair, 0) + 1
        self.before = update.named


# by instance and interface identifier
Children = FirstNamed[tuple[int, int], _Child]


@FLAPPING.rule("parent-flaps", HeardDatagram, memory=FirstNamed, concerns=concerns.icmpv6)
def parents_named(memory: Children, scene: Scene, datagram: HeardDatagram) -> None:
    """Note the parents that a node names for its own target, update by update.

    "All DAOs generated at the same time for the same Target MUST be sent with the same Path Sequence", and those that
    change the parents with another one (RFC 6550 section 9.2.1).
    """
    message, header = scene.message_begun, datagram.header
    dao, identifier = None if message is None else message.message, int(header.source) & IID_MASK
    if not isinstance(dao, Dao):
        return
    targets = (one for one in dao.options if isinstance(one, Target))
    transits = (one for one in dao.options if isinstance(one, TransitInformation))
    target, transit = next(targets, None), next(transits, None)
    named = frozenset(parents_in(dao, header))
    if target is None or transit is None or not named:
        return
    if int(target.prefix.network_address) & IID_MASK != identifier:
        return
    update = _Update(transit.path_sequence, scene.number, scene.time_s, named)
    child = memory.entry(
        (dao.rpl_instance_id, identifier), lambda: _Child(scene.time_s, update, None)
    )
    if child is None:
        return
    # where no earlier hop was heard, the sender here is a router, which moves with none of its children
    child.by = origin_of(scene, header) or child.by
    if child.update.sequence == update.sequence:
        child.update.named |= named
    else:
        child.end_update()
        child.update = update


@FLAPPING.at_end("parent-flaps")
def parent_flaps(memory: Children, _known: Surroundings) -> Hits:
    """Judge the part of the time in which the parents changed most."""
    for (_, identifier), child in memory.items():
        child.end_update()
        part, changes = child.changes.densest, sum(child.pairs.values())
        if child.by is not None:
            child.by.moves += changes  # which control-out-of-proportion takes for the cause of what came with them
        if part is None or part.count < _LEAST:
            continue
        (one, other), times = max(child.pairs.items(), key=lambda item: item[1])
        often = f"{part.count} times in {seconds_text(part.last_s - part.since_s)}"
        cause = f"its DAOs name another parent {often}"
        pair = f"{times} of all {changes} changes between {_text(one)} and {_text(other)}"
        begun = seconds_text(part.since_s - child.first_s)
        since = f"from frame {part.since} on, {begun} after its first DAO"
        name = str(IPv6Address(_LINK_LOCAL | identifier))
        yield Hit(cause, (pair, since), name, tuple(part.frames), times=part.count)


_LINK_LOCAL = 0xFE80 << 112


def _text(named: _Named) -> str:
    return " with ".join(map(str, sorted(named)))
