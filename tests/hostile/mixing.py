"""A capture of honest nodes and of an attacker, or of the nodes alone, as a pcap file."""

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from heapq import merge
from itertools import count, islice, takewhile
from pathlib import Path
from random import Random

from hostile.attacks import Attack
from hostile.network import Farm, Said

WITHOUT_FCS = 230  # the link type of frames of IEEE 802.15.4 without FCS
_START_S = 1_000_000


@dataclass
class Mixed:
    """What was written: ``frames`` in all, and by number those of honest nodes."""

    frames: int = 0
    honest: dict[int, Said] = field(default_factory=dict)

    @property
    def datagrams(self) -> list[tuple[int, Said]]:
        """The frames that complete a datagram of an honest node, with their numbers."""
        return [(number, said) for number, said in self.honest.items() if said.datagram is not None]


def mixed(attack: Attack, frames: int, every_s: float, path: Path, *, alone: bool = False) -> Mixed:
    """Write ``frames`` of an attack among what honest nodes send meanwhile; ``alone``: without the attack."""
    until = frames / attack.rate + 1.0
    honest = takewhile(lambda said: said.time_s < until, Farm(every_s).frames())
    hostile = () if alone else zip(count(1.0, 1 / attack.rate), attack.frames(Random(1)))
    sent: Iterable[tuple[float, int, Said | bytes]] = merge(
        ((said.time_s, 0, said) for said in honest),
        ((at, 1, octets) for at, octets in islice(hostile, frames)),
        key=lambda one: one[:2],
    )
    result = Mixed()
    with path.open("wb") as file:
        file.write(struct.pack("<IHHIIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, WITHOUT_FCS))
        for number, (time_s, octets, said) in enumerate(_octets(sent), 1):
            result.frames = number
            if said is not None:
                result.honest[number] = said
            whole, part = divmod(round((_START_S + time_s) * 1e6), 10**6)
            file.write(struct.pack("<IIII", whole, part, len(octets), len(octets)) + octets)
    return result


def _octets(
    sent: Iterable[tuple[float, int, Said | bytes]],
) -> Iterator[tuple[float, bytes, Said | None]]:
    for time_s, _, one in sent:
        if isinstance(one, Said):
            yield time_s, one.octets, one
        else:
            yield time_s, one, None
