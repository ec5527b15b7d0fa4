"""Nodes that go by another version of a DODAG, or another instance, than all others."""

from collections import Counter
from ipaddress import IPv6Address

from lowpanbudget.env import link_text
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.rpl.messages import INFINITE_RANK, LOCAL, Dio
from lowpanbudget.layers.internet.rpl.options import HOP_RANK
from lowpanbudget.values import dataclass, field

INSTANCES = Subject("instances")

# our choices
_LEAST = 3  # DIOs of a node with a version that nobody else has, as long as that is so
_OTHERS = 2  # nodes that have another one together


@dataclass(slots=True)
class _NodeVersion:
    """The version that a node announces; so many DIOs had it while others had another, the first in these frames.

    Before these so many DIOs of others had another, ``before``.
    """

    version: int
    alone: int = 0
    before: int = 0
    most: int = 0
    frames: Frames = field(default_factory=Frames)
    told: tuple[int, int, int] = (
        0,
        0,
        0,
    )  # its version, that of the others, and how many they were


@dataclass(slots=True)
class _Versions:
    """The versions of a DODAG by node, how many nodes have each, and in how many DIOs."""

    nodes: FirstNamed[IPv6Address, _NodeVersion] = field(default_factory=FirstNamed)
    count: Counter[int] = field(default_factory=Counter)
    dios: Counter[int] = field(default_factory=Counter)

    def take(self, node: IPv6Address, version: int, number: int) -> None:
        """Take the DIO of a node; it is alone where others are heard to go on with their version."""
        known = self.nodes.get(node)
        if known is None:
            known = self.nodes.entry(node, lambda: _NodeVersion(version))
            if known is None:
                return
        else:
            self.count[known.version] -= 1
        self.count[version] += 1
        self.dios[version] += 1
        known.version = version
        (usual, others), *_ = self.count.most_common(1)
        if self.count[version] > 1 or others < _OTHERS:
            known.alone = 0
            return
        if not known.alone:
            known.before = self.dios[usual]
        known.alone += 1
        known.frames.note(number)
        if known.alone > known.most and self.dios[usual] >= known.before + _OTHERS:
            known.most, known.told = known.alone, (version, usual, others)


@INSTANCES.rule("dodag-version-of-one-node", Icmpv6, memory=FirstNamed)
def version_announced(
    memory: FirstNamed[tuple[int, IPv6Address], _Versions], scene: Scene, message: Icmpv6
) -> None:
    """Note who announces which version.

    The root raises it before others follow, and who leaves its DODAG may name an old one.
    """
    dio = message.message
    if not isinstance(dio, Dio) or scene.header is None or message.checksum_ok is False:
        return
    increase = scene.known.ranks.configured.get((dio.rpl_instance_id, dio.dodag_id), {HOP_RANK})
    if dio.rank == INFINITE_RANK or dio.rank in increase:
        return
    versions = memory.entry((dio.rpl_instance_id, dio.dodag_id), _Versions)
    if versions is not None:
        versions.take(scene.header.source, dio.version, scene.number)


@INSTANCES.at_end("dodag-version-of-one-node")
def version_of_one_node(
    memory: FirstNamed[tuple[int, IPv6Address], _Versions], _known: Surroundings
) -> Hits:
    """Tell who kept to it."""
    for (_, dodag), versions in memory.items():
        for node, one in versions.nodes.items():
            if one.most >= _LEAST:
                own, usual, others = one.told
                cause = (
                    f"{node} announces version {own} of DODAG {dodag}, {others} others have {usual}"
                )
                evidence = (f"{one.most} DIOs in a row, while no other node has that version",)
                yield Hit(cause, evidence, str(node), tuple(one.frames), times=one.most)


@dataclass(slots=True)
class _Instances:
    """The instances that DIOs announce; who sends packets of which instance, with the frame of the first."""

    announced: set[int] = field(default_factory=set)
    packets: FirstNamed[tuple[int, bytes], int] = field(default_factory=FirstNamed)


@INSTANCES.rule("rpl-instance-unknown", Icmpv6, memory=_Instances)
def instance_announced(memory: _Instances, _scene: Scene, message: Icmpv6) -> None:
    """Note the instance of a DIO."""
    if isinstance(message.message, Dio):
        memory.announced.add(message.message.rpl_instance_id)


@INSTANCES.rule("rpl-instance-unknown", HeardDatagram, memory=_Instances, concerns=concerns.no_more)
def instance_of_packet(memory: _Instances, scene: Scene, datagram: HeardDatagram) -> None:
    """Note the instance of a packet where it begins; of packets that are alike the first tells all."""
    option, link = datagram.rpl_option, datagram.link_source
    if option is None or link is None or scene.passage is not None:
        return
    if not option.rpl_instance_id & LOCAL:
        memory.packets.entry((option.rpl_instance_id, link), lambda: scene.number)


@INSTANCES.at_end("rpl-instance-unknown")
def instance_unknown(memory: _Instances, _known: Surroundings) -> Hits:
    """Tell of one that a node alone names while others name what DIOs announce."""
    users: dict[int, list[bytes]] = {}
    for instance, link in memory.packets:
        users.setdefault(instance, []).append(link)
    known = {link for one in memory.announced for link in users.get(one, ())}
    for instance, links in users.items():
        if instance in memory.announced or len(links) > 1 or len(known - {*links}) < _OTHERS:
            continue
        name, frames = link_text(links[0]), (memory.packets[instance, links[0]],)
        cause = f"packets of {name} name instance {instance}, which no DIO announces"
        told = ", ".join(map(str, sorted(memory.announced)))
        yield Hit(cause, (f"announced: {told}",), name, frames)
