"""Nodes that sent datagrams of their own in a rhythm, and what of them is heard at the end of a capture."""

from collections.abc import Iterator

from lowpanbudget.findings.scene import Surroundings
from lowpanbudget.findings.senders import HeardSender
from lowpanbudget.findings.silences import SILENCES, needed


def rhythms(known: Surroundings) -> Iterator[tuple[bytes, HeardSender, float, float]]:
    """Yield who had a rhythm and does not keep it to the end: how long it has sent nothing of its own, and nothing.

    What it acknowledged, polled for or forwarded is something, and so is what comes by with its address on a later hop
    alone. Who went over to another PAN since sends there: rules about PANs tell of it.
    """
    begun: dict[bytes, int] = {}  # the last PAN of a link address, by the first frame in it
    for (_, link), sender in known.senders.items():
        begun[link] = max((begun.get(link, 0), *sender.first[:1]))
    for station, rhythm in known.senders.items():
        if begun[station[1]] > rhythm.heard > 0:
            continue
        quiet_s = known.end_s - rhythm.heard_s
        is_rhythm = rhythm.alike >= needed(rhythm.longest_s)
        if is_rhythm and quiet_s > SILENCES * rhythm.longest_s:
            acknowledged_s = known.acknowledged.get(station, rhythm.sent_s)
            signs = rhythm.heard_s, rhythm.sent_s, rhythm.made_s, acknowledged_s
            yield station[1], rhythm, quiet_s, known.end_s - max(signs)
