"""Many entries for a minute together: the first octet of an input chooses its entry, so one process judges all."""

import random
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from fuzz.campaign import Campaign, tell_failures
from fuzz.mutations import mutated
from fuzz.seeds import kept, seeds

MOST_FIRST = 40  # first inputs of an entry: the usual suite replays them all


class Minute:
    """A run over some entries for so many seconds, or so many inputs where they are fewer."""

    def __init__(
        self, work: Path, names: Iterable[str], seconds: float, most: int | None = None
    ) -> None:
        self.campaigns = [Campaign(name, work) for name in names]
        self.seconds, self.end = seconds, float("inf")
        self.left = float("inf") if most is None else most

    def first(self) -> Iterator[bytes]:
        """Yield the first inputs, in front of each its entry."""
        for number, campaign in enumerate(self.campaigns):
            name = campaign.entry.name
            inputs = [*seeds(name), *kept(name)]
            for octets in random.Random(number).sample(inputs, min(MOST_FIRST, len(inputs))):
                yield bytes([number]) + octets

    def take(self, data: bytes) -> bool:
        """Judge one input; return whether there is time for another."""
        if self.end == float("inf"):  # making the first inputs takes time as well
            self.end = time.monotonic() + self.seconds
        if data:
            campaign = self.campaigns[data[0] % len(self.campaigns)]
            campaign.take(data[1 : 1 + campaign.entry.longest])
            self.left -= 1
        return self.left > 0 and time.monotonic() < self.end

    def report(self, how: str) -> int:
        """Print how it went; return the exit code."""
        failures: Counter[str] = Counter()
        for campaign in self.campaigns:
            failures += campaign.failures
        tried = ", ".join(f"{one.entry.name} {one.count}" for one in self.campaigns)
        print(f"{sum(one.count for one in self.campaigns)} inputs, {how}: {tried}")
        tell_failures(failures)
        return 1 if failures else 0


def blindly(minute: Minute, seed: int) -> int:
    """Mutate the first inputs without a guide until the time is up."""
    rng = random.Random(seed)
    inputs: dict[int, list[bytes]] = {}
    for octets in minute.first():
        inputs.setdefault(octets[0], []).append(octets[1:])
    going = True
    while going:
        for number, known in inputs.items():
            going = going and minute.take(bytes([number]) + mutated(rng, known))
    return minute.report("unguided")
