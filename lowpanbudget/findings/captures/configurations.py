"""The configuration of a DODAG, which its root alone makes, as its nodes hand it on (RFC 6550 section 6.7.6)."""

from ipaddress import IPv6Address

from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.rpl.messages import Dio
from lowpanbudget.layers.internet.rpl.options import DodagConfiguration
from lowpanbudget.values import dataclass, field, replace

CONFIGURATIONS = Subject("configurations")

_OFTEN = 3  # DIOs with another configuration, each behind one with the root's, that are no delay; our choice
_MOST = 8  # configurations of one DODAG, and senders of each


@dataclass(slots=True)
class _Configured:
    """A configuration: the lowest rank that announces it, how often in all, ``to_all`` of these, and who did so last.

    ``stretches`` counts its DIOs from that rank behind others with the configuration of a lower rank, of which ``at``
    had gone to all then.
    """

    rank: int
    count: int = 0
    to_all: int = 0
    at: int = 0
    stretches: int = 0
    senders: set[IPv6Address] = field(default_factory=set)
    frames: Frames = field(default_factory=Frames)


# by instance, DODAG and version; then by what is configured
Configured = FirstNamed[tuple[int, IPv6Address, int], dict[DodagConfiguration, _Configured]]


@CONFIGURATIONS.rule("configuration-not-the-roots", Icmpv6, memory=FirstNamed)
def configuration_announced(memory: Configured, scene: Scene, message: Icmpv6) -> None:
    """Note the configuration of each DIO that brings one.

    The flag of RFC 9008 is passed over: who does not know it writes zero there, as in all reserved bits.
    """
    dio = message.message
    if not isinstance(dio, Dio) or scene.header is None or message.checksum_ok is False:
        return
    option = next((one for one in dio.options if isinstance(one, DodagConfiguration)), None)
    if option is None:
        return
    known = memory.entry((dio.rpl_instance_id, dio.dodag_id, dio.version), dict)
    configured = replace(option, rpi_0x23=False)
    if known is None or (configured not in known and len(known) >= _MOST):
        return
    told = known.setdefault(configured, _Configured(dio.rank))
    if dio.rank < told.rank:
        told.rank, told.stretches = dio.rank, 0
    told.count += 1
    told.to_all += scene.header.destination.is_multicast
    told.frames.note(scene.number)
    for other in known.values():
        other.senders.discard(scene.header.source)  # it has taken over another
    if len(told.senders) < _MOST:
        told.senders.add(scene.header.source)
    lowest = min(known.values(), key=lambda one: one.rank)
    if dio.rank == told.rank > lowest.rank and lowest.to_all > told.at:
        told.at, told.stretches = lowest.to_all, told.stretches + 1


@CONFIGURATIONS.at_end("configuration-not-the-roots")
def configuration_not_the_roots(memory: Configured, _known: Surroundings) -> Hits:
    """Compare with that of the root, where it was heard: its rank is MinHopRankIncrease (RFC 6550 section 17).

    Nodes learn a new one from hop to hop. Who announces another one again and again, while nodes of lower rank
    announce the root's, did not get it from them.
    """
    for (_, dodag, version), known in memory.items():
        (root, said), *others = sorted(known.items(), key=lambda one: one[1].rank)
        if said.rank > root.min_hop_rank_increase:
            continue
        for configured, told in others:
            if told.stretches < _OFTEN or not told.senders:
                continue
            changed = [one for one in _WORDS if getattr(root, one) != getattr(configured, one)]
            here, there = (
                ", ".join(f"{_WORDS[name]} {getattr(one, name)}" for name in changed)
                for one in (configured, root)
            )
            cause = f"{here} is announced where the root configures {there}"
            evidence = f"DODAG {dodag}, version {version}: rank {said.rank} announces {there}"
            frames = (*said.frames[:1], *told.frames)
            senders = ", ".join(map(str, sorted(told.senders)))
            yield Hit(cause, (evidence,), senders, frames, times=told.count)


# as section 6.7.6 calls them
_WORDS = {
    "authentication": "A",
    "path_control_size": "PCS",
    "dio_interval_doublings": "DIOIntervalDoublings",
    "dio_interval_min": "DIOIntervalMin",
    "dio_redundancy_constant": "DIORedundancyConstant",
    "max_rank_increase": "MaxRankIncrease",
    "min_hop_rank_increase": "MinHopRankIncrease",
    "objective_code_point": "OCP",
    "default_lifetime": "Default Lifetime",
    "lifetime_unit": "Lifetime Unit",
}
