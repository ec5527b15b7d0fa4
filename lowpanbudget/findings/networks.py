"""What is known and remembered of each network in a capture: addresses, flows, tags and numbers are of one alone.

A short address is one in its PAN alone (IEEE 802.15.4-2015 clause 6.4.2, from memory), and so are link-local addresses,
contexts and the tags of fragments. What rules hold across networks, such as keys, is remembered once.
"""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from lowpanbudget.capture.follow.networks import Networks
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.home import MOST_APART
from lowpanbudget.findings.passages import Passages
from lowpanbudget.findings.questions import Questions
from lowpanbudget.findings.rule import Rule
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wrong_sums import WrongSums
from lowpanbudget.layers.link.stations import network_of, network_text
from lowpanbudget.stack.events import Discarded, TimedOut
from lowpanbudget.stack.pieces import FragmentedDatagram

# of all networks: they tell stations by PAN or EUI-64, or are of the capture
_SHARED = (
    "pans", "flows", "senders", "acknowledged", "insistent", "refusals", "uncorrected", "keys", "pauses", "home",
)  # fmt: skip


class HeardNetwork(NamedTuple):
    """What is ``known`` of a network, what is asked of its frames, how its datagrams go; home has no ``name``."""

    known: Surroundings
    questions: Questions
    passages: Passages
    wrong: WrongSums
    name: str = ""

    def told(self, rule: Rule, hit: Hit) -> Hit:
        """Return a hit as one of this network; a rule that knows of all tells which it is of."""
        name = hit.network if rule.across else self.name
        if not name:
            return hit
        of = f" of {name}"
        before, colon, behind = hit.subject.partition(": ")
        subject = hit.subject if of in hit.subject else f"{before}{of}{colon}{behind}"
        return hit._replace(subject=subject.strip().removeprefix("of "), network=name)


class HeardNetworks:
    """The networks of a capture, ``home`` first: that of the design, or the first that is heard."""

    def __init__(self, known: Surroundings, rules: Iterable[Rule]) -> None:
        self._rules = tuple(rules)
        questions = Questions(self._rules)
        self.home = HeardNetwork(known, questions, Passages(), WrongSums(known))
        self._beyond: HeardNetwork | None = None  # all that are not told apart
        self._of: dict[int, HeardNetwork] = {}
        self._told = Networks()

    def of(self, sighting: Sighting) -> HeardNetwork:
        """Return the network of a frame, an acknowledgement's that of whom it answers; home where nothing tells it."""
        home, template = self.home, sighting.template
        if not self._of:  # the only one so far
            if template is not None and home.questions in template.facts:
                return home  # as for one that is alike
            mac = None if sighting.damaged or template is None else template.example.mac
            pan = None if mac is None else network_of(mac)
            if pan is None or home.known.home.has(pan):
                return home
        return self.of_pan(self._told.heard(sighting))

    def over(
        self, sighting: Sighting, now: HeardNetwork
    ) -> Iterator[tuple[HeardNetwork, FragmentedDatagram | TimedOut | Discarded]]:
        """Yield the datagrams that were given up before a frame, and those of other networks than its own with it."""
        for datagram in sighting.expired:
            yield self.of_pan(datagram.key.pan), datagram
        for event in sighting.ended:
            network = self.of_pan(event.key.pan)
            if network is not now:
                yield network, event

    def ended_in(self, now: HeardNetwork, sighting: Sighting) -> list[TimedOut | Discarded]:
        """Return those of its own network."""
        return [one for one in sighting.ended if self.of_pan(one.key.pan) is now]

    def of_pan(self, pan: int | None) -> HeardNetwork:
        """Return the network of a PAN."""
        home = self.home
        if pan is None or home.known.home.has(pan):
            return home
        if pan not in self._of:
            if len(self._of) >= MOST_APART:
                return self._of_many(pan)
            self._of[pan] = self._begun(self._rules, f"PAN {network_text(pan)}")
            home.known.beside[pan] = self._of[pan].known
            home.known.home.others.append(pan)
        return self._of[pan]

    def _of_many(self, pan: int) -> HeardNetwork:
        """Return what stands for all networks that are not told apart: addresses mean nothing there.

        What one frame shows by itself, and what rules hold across networks, is all that is asked.
        """
        self.home.known.home.beyond[pan] = None
        if self._beyond is None:
            asked = [rule for rule in self._rules if rule.across or not rule.varies]
            self._beyond = self._begun(asked, "")
        return self._beyond

    def _begun(self, rules: Iterable[Rule], name: str) -> HeardNetwork:
        of_all = self.home.known
        known = Surroundings(
            design=of_all.design, devices=of_all.devices, largest=of_all.largest, mtu=of_all.mtu,
            timeout_s=of_all.timeout_s, rpi_type=of_all.rpi_type,
        )  # fmt: skip
        for shared in _SHARED:
            setattr(known, shared, getattr(of_all, shared))
        questions = Questions(rules, self.home.questions)
        return HeardNetwork(known, questions, Passages(), WrongSums(known), name)

    def all(self) -> Iterable[HeardNetwork]:
        """Yield them all, with the time at which the capture ended."""
        for one in (self.home, *self._of.values()):
            one.known.end_s = self.home.known.end_s
            yield one
