"""Whether beacons go out on the channel of the link that they tell for their slot.

    channel = sequence[(absolute slot number + channel offset) mod 16]        (RFC 7554 appendix A.7)

The sequence is the default one of 2.4 GHz (hopping sequence 0; IEEE 802.15.4-2015, from memory). A receiver may take a
strong frame on a channel beside its own, and a network may call another sequence 0: a node is off where most of its
beacons are, and those of others go by the sequence.
"""

from collections import defaultdict
from collections.abc import Iterator

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.errors import plural
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.senders import Station
from lowpanbudget.layers.link.elements import nested_values
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.values import dataclass, field

_SEQUENCE = (16, 17, 23, 18, 26, 15, 25, 22, 19, 11, 12, 13, 24, 14, 20, 21)
_DEFAULT = 0  # the number of that sequence
_FEWEST = 3  # beacons on its channel, or on another; our choice
_MOST_SHOWN = 3


@dataclass(slots=True)
class _BeaconCells:
    """How many beacons of a node were on the channel of their link, and how many were not."""

    name: str
    right: int = 0
    wrong: int = 0
    frames: Frames = field(default_factory=Frames)
    evidence: list[str] = field(default_factory=list)

    @property
    def goes_by_it(self) -> bool:
        """Return whether its beacons go by the sequence."""
        return self.right >= _FEWEST and self.right > self.wrong

    @property
    def is_off(self) -> bool:
        """Return whether they go by another offset."""
        return self.wrong >= _FEWEST and self.wrong > self.right


class BeaconCells:
    """Holds the channels of beacons against their links."""

    def __init__(self) -> None:
        self._nodes = FirstNamed[Station, _BeaconCells]()

    def take(self, sighting: Sighting, mac: Mac, name: str) -> None:
        """Take a beacon."""
        slot, channel = sighting.body.asn, sighting.body.fields.get("channel")
        if slot is None or channel not in _SEQUENCE or sighting.body.fields.get("channel_page"):
            return
        sequences = [*nested_values(mac.payload_ies, "hopping_sequence_id")]
        told = _offsets(mac, slot)
        if mac.source is None or sequences != [_DEFAULT] or not told:
            return
        node = self._nodes.entry((mac.pan_id, mac.source), lambda: _BeaconCells(name))
        if node is None:
            return
        due = {offset: _SEQUENCE[(slot + offset) % len(_SEQUENCE)] for offset in sorted(told)}
        if channel in due.values():
            node.right += 1
            return
        node.wrong += 1
        node.frames.note(sighting.number)
        if len(node.evidence) < _MOST_SHOWN:
            offset, planned = next(iter(due.items()))
            node.evidence.append(
                f"frame {sighting.number}: slot {slot} on channel {channel}, {planned} by offset {offset} of its link"
            )

    def hits(self) -> Iterator[Hit]:
        """Yield whose beacons are on other channels."""
        networks = defaultdict[int | None, list[_BeaconCells]](list)
        for (pan, _), node in self._nodes.items():
            networks[pan].append(node)
        for nodes in networks.values():
            off = [node for node in nodes if node.is_off]
            right = sum(node.goes_by_it for node in nodes)
            for node in off if right >= len(off) else ():
                cause = "beacons are on other channels than their link has by the default hopping sequence"
                beside = f"beacons of {plural(right, 'other node')} are on the channels of theirs"
                evidence = (*node.evidence, beside)
                yield Hit(cause, evidence, node.name, tuple(node.frames), times=node.wrong)


def _offsets(mac: Mac, slot: int) -> set[int]:
    """Return the channel offsets of the links that a beacon tells for its slot."""
    return {
        link["channel_offset"]
        for slotframes in nested_values(mac.payload_ies, "slotframes")
        for slotframe in slotframes
        for link in slotframe["links"]
        if slotframe["slotframe_size"] and link["timeslot"] == slot % slotframe["slotframe_size"]
    }
