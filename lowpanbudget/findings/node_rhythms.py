"""Nodes that sent datagrams of their own in a rhythm, and what of them is heard at the end of a capture."""

from collections.abc import Iterator
from math import inf
from typing import NamedTuple

from lowpanbudget.env import interface_identifier, link_of_identifier
from lowpanbudget.errors import plural
from lowpanbudget.findings.missed import may_be_unheard
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import HeardSender, Station, pan_of
from lowpanbudget.findings.silences import BY_CHANCE, SILENCES, needed
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import seconds_text

_EVEN = 7  # mean silences: of a hundred at random one in eleven is longer (Poisson); our choice


class BrokenRhythm(NamedTuple):
    """A node with a rhythm that it does not keep: so long it has sent nothing of its own, and nothing at all.

    A silence of more than ``least_s`` is none of its rhythm.
    """

    link: bytes
    rhythm: HeardSender
    quiet_s: float
    silent_s: float
    least_s: float
    network: str  # where it is not the first

    @property
    def silences(self) -> str:
        """Return what tells that it had a rhythm."""
        rhythm = self.rhythm
        if rhythm.alike >= needed(rhythm.longest_s):
            return f"{plural(rhythm.alike, 'silence')} about as long as the longest"
        return f"{plural(rhythm.gaps, 'silence')} of {seconds_text(rhythm.gaps_s / rhythm.gaps)} in the mean"


def rhythms(known: Surroundings) -> Iterator[BrokenRhythm]:
    """Yield who had a rhythm and does not keep it to the end.

    What it acknowledged, polled for or forwarded is something, and so is what comes by with its address on a later hop
    alone. Who went over to another PAN since sends there: rules about PANs tell of it. Who registered another address
    since and is heard under that is not gone.
    """
    begun: dict[bytes, int] = {}  # the last PAN of a link address, by the first frame in it
    for (_, link), sender in known.senders.items():
        begun[link] = max((begun.get(link, 0), *sender.first[:1]))
    for station, rhythm in known.senders.items():
        if begun[station[1]] > rhythm.heard > 0 or _is_renamed(known, station, rhythm):
            continue
        quiet_s, least_s = known.end_s - rhythm.heard_s, longest_of(rhythm)
        if quiet_s <= least_s:
            continue
        if not may_be_unheard(known.senders, station[0], rhythm, rhythm.heard, quiet_s):
            signs = rhythm.heard_s, rhythm.seen_s, rhythm.made_s
            silent_s, network = known.end_s - max(signs), known.home.network(station[0])
            yield BrokenRhythm(station[1], rhythm, quiet_s, silent_s, least_s, network)


def longest_of(rhythm: HeardSender) -> float:
    """Return the seconds behind which a silence is none of a rhythm; without end where it has none.

    Where the capture missed some of what a node sent, its silences are of one, two or more intervals, and its longest
    are few: their mean tells, of many that are not far longer than it.
    """
    least_s = SILENCES * rhythm.longest_s
    if rhythm.alike >= needed(rhythm.longest_s):
        return least_s
    mean_s = rhythm.gaps_s / max(rhythm.gaps, 1)
    is_even = rhythm.longest_s <= _EVEN * mean_s and rhythm.gaps >= SILENCES * needed(mean_s)
    return max(least_s, BY_CHANCE * mean_s) if is_even else inf


def _is_renamed(known: Surroundings, station: Station, rhythm: HeardSender) -> bool:
    """Return whether the device with a link address registered another, under which it is heard, or told as silent."""
    registered = known.of(station[0]).registered
    left = registered.left.get(interface_identifier(station[1]) or 0)
    if left is None:
        return False
    links = (link_of_identifier(left, octets) for octets in (2, 8))
    now = (known.senders.get((station[0], link)) for link in links if link is not None)
    since_s = known.end_s - longest_of(rhythm)
    return any(one is not None and (one.seen_s >= since_s or longest_of(one) < inf) for one in now)


def note_silence(scene: Scene, by: HeardSender) -> None:
    """Note that a node had a rhythm, and was silent while others were heard; whether it goes on will show."""
    pause = by.pause
    if pause is None or by.alike < needed(by.longest_s):
        return
    least = max(SILENCES * by.longest_s, BY_CHANCE * by.gaps_s / by.gaps)
    seconds = min(pause.seconds, scene.time_s - by.made_s)  # on a later hop some may have come by
    begun_s = scene.time_s - seconds
    if seconds > least and scene.known.pauses.widest_since(begun_s) <= least:
        pan = None if scene.mac is None else pan_of(scene.mac)
        if may_be_unheard(scene.known.senders, pan, by, pause.before, seconds):
            return
        by.silence, by.resumed = pause._replace(seconds=seconds, rhythm_s=by.longest_s), -1
