"""Frames whose nonce is a slot number, and that open with another one than the capture has for them.

A node may take the number of the slot before or behind, or count otherwise; so may the receiver of the capture.
"""

from collections.abc import Iterator

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.errors import plural
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.senders import Station
from lowpanbudget.layers.link.elements import nested_values
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.values import dataclass, field

# our choices
_FAR = 5  # slots to either side that are tried; an integrity code of 4 octets is right by chance once in 2**32
_TRIED = 3  # frames of a node with which all are tried
_FEWEST = 3  # frames of others that show that the receiver counts right
_MOST_SHOWN = 3


@dataclass(slots=True)
class _OffSlot:
    """Frames of a node that open so many slots ``ahead`` of that of the capture; how many were tried before."""

    name: str
    tried: int = 0
    ahead: int | None = None
    times: int = 0
    right: int = 0
    last: int = 0
    frames: Frames = field(default_factory=Frames)
    evidence: list[str] = field(default_factory=list)


class NeighbourSlots:
    """Tries neighbouring slots with frames that fail, in bounded number."""

    def __init__(self) -> None:
        self._nodes = FirstNamed[Station, _OffSlot]()

    def take(self, sighting: Sighting, mac: Mac, name: str) -> None:
        """Take a frame whose nonce holds the slot number: one that is right, or one that fails."""
        slot, source = sighting.body.asn, mac.source
        if slot is None or source is None or sighting.fcs_ok is False:
            return
        node = self._nodes.entry((mac.pan_id, source), lambda: _OffSlot(name))
        if node is None:
            return
        if sighting.verified:
            node.right += 1
            return
        ahead = self._ahead(sighting, mac, node, slot)
        if ahead is None:
            return
        node.ahead, node.last, node.times = ahead, sighting.number, node.times + 1
        node.frames.note(sighting.number)
        if len(node.evidence) < _MOST_SHOWN:
            text = f"frame {sighting.number}: {slot} in the capture, opens with {slot + ahead}"
            node.evidence.append(text)

    def opened(self, station: Station, number: int) -> bool:
        """Return whether the frame of this number opens with another slot number."""
        node = self._nodes.get(station)
        return node is not None and node.last == number

    @staticmethod
    def _ahead(sighting: Sighting, mac: Mac, node: _OffSlot, slot: int) -> int | None:
        """Return with how many slots more the frame opens; None where none of those that are tried opens it."""
        steps: list[int] = []
        if node.ahead is not None:
            steps = [node.ahead]
        elif node.tried < _TRIED:
            node.tried += 1
            steps = [way * step for step in range(1, _FAR + 1) for way in (1, -1)]
            told = next(nested_values(mac.payload_ies, "asn"), None)
            steps += [] if told is None else [told - slot]
        for step in steps:
            if not 0 <= slot + step < 1 << 40:
                continue
            octets, ending = sighting.octets, sighting.fcs_octets
            if sighting.decoder.frame(octets, ending, slot + step).verified:
                return step
        return None

    def hits(self) -> Iterator[Hit]:
        """Yield whose frames open otherwise; where no others open with the slots of the capture it may be at fault."""
        for station, node in self._nodes.items():
            if node.ahead is None:
                continue
            others = [
                one for key, one in self._nodes.items() if key[0] == station[0] and one is not node
            ]
            right = sum(one.right for one in others)
            step = f"{abs(node.ahead)} {'higher' if node.ahead > 0 else 'lower'}"
            cause = (
                "frames fail with the absolute slot number that the capture has, and open with the one that is "
                f"{step}"
            )
            share = f"{node.times} of {plural(node.times + node.right, 'frame')} that open"
            is_proved = right >= _FEWEST and node.times > node.right
            beside = f"{right} frames of other nodes open with that of the capture"
            evidence = (f"{node.name}: {share}", *([beside] if right else []), *node.evidence)
            yield Hit(
                cause,
                evidence,
                node.name,
                tuple(node.frames),
                None if is_proved else Severity.REMARK,
                _NODE if is_proved else _RECEIVER,
                node.times,
            )


_NODE = (
    "Key and address are right. Look which slot number the node makes its nonces of: it is that of the slot in which "
    "the frame goes out, not of the one in which it is sealed, and the same that its beacons tell."
)
_RECEIVER = (
    "Key and address are right. The receiver of the capture may have stumbled, or count otherwise: give it the number "
    "of a beacon. Where frames of others open with its numbers, the node takes that of another slot."
)
