"""All entries for a minute together: the first octet of an input chooses its entry, so one process judges all."""

import random
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from fuzz.campaign import Campaign, tell_failures
from fuzz.entries import ENTRIES
from fuzz.seeds import kept, seeds

NAMES = tuple(ENTRIES)
MOST_FIRST = 40  # first inputs of an entry: the usual suite replays them all


class Minute:
    """A run over all entries until the clock says ``end``."""

    def __init__(self, work: Path, end: float) -> None:
        self.campaigns = [Campaign(name, work) for name in NAMES]
        self.end = end

    def first(self) -> Iterator[bytes]:
        """Yield the first inputs, in front of each its entry."""
        for number, name in enumerate(NAMES):
            inputs = [*seeds(name), *kept(name)]
            for octets in random.Random(number).sample(inputs, min(MOST_FIRST, len(inputs))):
                yield bytes([number]) + octets

    def take(self, data: bytes) -> bool:
        """Judge one input; return whether there is time for another."""
        if data:
            campaign = self.campaigns[data[0] % len(NAMES)]
            campaign.take(data[1 : 1 + campaign.entry.longest])
        return time.monotonic() < self.end

    def report(self) -> int:
        """Print how it went; return the exit code."""
        failures: Counter[str] = Counter()
        for campaign in self.campaigns:
            failures += campaign.failures
        tried = ", ".join(f"{one.entry.name} {one.count}" for one in self.campaigns)
        print(f"{sum(one.count for one in self.campaigns)} inputs: {tried}")
        tell_failures(failures)
        return 1 if failures else 0


def blindly(minute: Minute, seed: int) -> int:
    """Mutate the first inputs without a guide until the time is up."""
    rng = random.Random(seed)
    inputs = list(minute.first())
    while minute.take(mutated(rng, inputs)):
        pass
    return minute.report()


def mutated(rng: random.Random, inputs: list[bytes]) -> bytes:
    """Return one of the inputs with its octets changed, gone, doubled, or with some of another of its entry."""
    chosen = rng.choice(inputs)
    number, octets = chosen[:1], bytearray(chosen[1:])
    for _ in range(rng.choice((1, 1, 2, 4))):
        at, some = rng.randrange(len(octets) + 1), rng.randrange(1, 9)
        what = rng.randrange(5)
        if what == 0 and at < len(octets):
            octets[at] ^= 1 << rng.randrange(8)
        elif what == 1 and at < len(octets):
            octets[at] = rng.choice((0, 255, rng.randrange(256)))
        elif what == 2:
            del octets[at : at + some]
        elif what == 3:
            octets[at:at] = octets[at : at + 4 * some]
        else:
            other = rng.choice(inputs)
            if other[:1] == number:
                place = rng.randrange(len(other))
                octets[at:at] = other[place : place + 4 * some]
    return number + bytes(octets)
