"""The check sequences of a capture: taken off, replaced, summed otherwise, or wrong in some frames."""

from collections import Counter

from lowpanbudget.capture.follow.fcs_check import AHEAD, OTHERWISE, STATUS, STRIPPED, FcsVerdict
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.env import link_text
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import Station, pan_of
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.link.fcs import differing, fcs_difference, fcs_slip
from lowpanbudget.values import dataclass, field

CHECK_SEQUENCES = Subject("check-sequences", across=True)
HEARD = "a frame as each receiver heard it"
HEARD_AGAIN = "a frame that another receiver heard before"

# our choices
_MOST_LOOKED = 64  # frames with a wrong check sequence that are looked at closer
_LEAST = 5  # of them that tell of one node, or of one other sum

_CHANCE = (
    0.05  # at which all that are wrong may be of one node, as it sends most of the frames anyway
)
_FEW = 3  # frames: in fewer nothing tells whether they have check sequences

_SUMMED = (
    "No receiver that follows the standard takes such frames. Where they are acknowledged, whoever wrote the capture "
    "did it, or all nodes do it alike; else compare the sum with that of a chip that is known to be right: its start, "
    "and the order of bits and octets."
)
_AHEAD = (
    "Take those octets off, or name the link type that has them: all else is read here as if the frame began at the "
    "first octet."
)
_OF_ONE = (
    "Look whether others take its frames: where they are acknowledged, move the receiver of the capture nearer; where "
    "not, look how the node makes its check sequence, and at its radio."
)


@dataclass(slots=True)
class CheckSequencesSeen:
    """How many check sequences were right and wrong, and the first frames with a wrong one.

    Of those that were ``looked`` at closer: by which other sums they are right, in which bits they differ, and whose
    they are. The address in a damaged frame is as doubtful as the rest of it.
    """

    right: int = 0
    wrong: int = 0
    looked: int = 0
    first: Frames = field(default_factory=Frames)
    slips: Counter[str] = field(default_factory=Counter)
    differences: Counter[int] = field(default_factory=Counter)
    of: Counter[Station] = field(default_factory=Counter)

    def look(self, scene: Scene) -> None:
        """Look at a frame with a wrong one."""
        end, mac = len(scene.octets) - scene.fcs, scene.mac
        self.looked += 1
        octets, sent = scene.octets[:end], scene.octets[end:]
        self.slips.update(filter(None, [fcs_slip(octets, sent)]))
        self.differences[fcs_difference(octets, sent)] += 1
        if mac is not None and mac.source is not None:
            self.of[pan_of(mac), mac.source] += 1

    def slip(self, known: Surroundings) -> str:
        """Return in words by which other sum all of them are right; nothing where by none, or for too few.

        Who sums otherwise does so in each frame: of senders with frames that are right those that differ in the same
        bits were damaged alike, as the sum is linear.
        """
        (slip, count), *_ = self.slips.most_common(1) or [("", 0)]
        if count == self.looked >= _LEAST:
            return slip
        ((bits, count),) = self.differences.most_common(1)
        right = sum(_right(known, one) for one in self.of) if self.of else self.right
        return differing(bits) if bits and count == self.looked >= _LEAST and not right else ""

    @property
    def sender(self) -> Station | None:
        """Return whose they all are, but for acknowledgements, which name nobody; None where they are too few."""
        if len(self.of) != 1:
            return None
        return next((one for one, count in self.of.items() if count >= _LEAST), None)


def _right(known: Surroundings, sender: Station) -> int:
    """Return how many data frames of a sender are right."""
    heard = known.senders.get(sender)
    return 0 if heard is None else heard.frames


def _is_alone(memory: CheckSequencesSeen, sender: Station, known: Surroundings) -> bool:
    """Return whether it is no chance that all that are wrong are of a sender: others sent as well."""
    wrong, right = memory.of[sender], _right(known, sender)
    if not right:
        return True
    others = sum(one.frames for one in known.senders.values()) - right
    share = (right + wrong) / (right + wrong + others)
    return float(share**wrong) < _CHANCE


class SeenByReceivers(FirstNamed[str | None, CheckSequencesSeen]):
    """By who heard them: what one receiver does with check sequences says nothing of those that another wrote."""


@CHECK_SEQUENCES.rule("check-sequence-wrong", HEARD, memory=SeenByReceivers)
def check_sequence(memory: SeenByReceivers, scene: Scene, sighting: Sighting) -> None:
    """Count what each receiver heard: of what others heard first it may be the only one that kept check sequences."""
    if scene.fcs_ok is None:
        return
    receiver = sighting.record.receiver
    seen = memory.get(receiver) or memory.entry(receiver, CheckSequencesSeen)
    if seen is None:
        return
    if scene.fcs_ok:
        seen.right += 1
        return
    seen.wrong += 1
    seen.first.note(scene.number, most=8)
    if seen.looked < _MOST_LOOKED:
        seen.look(scene)


@CHECK_SEQUENCES.at_end("check-sequence-wrong")
def check_sequences(memory: SeenByReceivers, known: Surroundings) -> Hits:
    """Judge what each receiver heard."""
    for receiver, seen in memory.items():
        yield from _judged(seen, f"frames of {receiver}" if len(memory) > 1 else "frames", known)


def _judged(memory: CheckSequencesSeen, of_all: str, known: Surroundings) -> Hits:
    """Judge the counts; what one node sends, or another sum, is no damage."""
    if not memory.wrong:
        return
    total, sender, slip = memory.right + memory.wrong, memory.sender, memory.slip(known)
    evidence, frames = [f"{memory.wrong} of {total} {of_all} do not match"], tuple(memory.first)
    evidence += [f"what stands there is one {slip}"] if slip else []
    advice = _SUMMED if slip else ""
    if not memory.right and total >= 8:
        cause = "no frame ends with its check sequence: it was taken off or replaced"
        if slip:
            cause = "no frame ends with its check sequence, but with another sum"
        yield Hit(cause, tuple(evidence), "", frames, None, advice, memory.wrong)
    elif sender is not None and _is_alone(memory, sender, known):
        name, right = link_text(sender[1]), _right(known, sender)
        share = f"{memory.of[sender]} of them are of {name}, and {right or 'no'} data frames of it are right"
        cause = f"of all nodes {name} alone sends frames whose check sequence is wrong"
        severity = Severity.REMARK if right and not slip else None
        yield Hit(
            cause, (*evidence, share), name, frames, severity, advice or _OF_ONE, memory.wrong
        )
    else:
        heavy = total >= 20 and memory.wrong * 10 > total
        cause = "some frames were damaged before this receiver saw them; nothing is concluded from those"
        severity = Severity.RISK if heavy else Severity.REMARK
        if not memory.right and total < _FEW:
            cause = (
                "no frame ends with its check sequence; so few do not tell whether it was taken off"
            )
        if slip:
            cause, severity = "some frames end with another sum than their check sequence", None
        yield Hit(cause, tuple(evidence), "", frames, severity, advice, memory.wrong)


@CHECK_SEQUENCES.rule("check-sequence-not-as-said", FcsVerdict)
def check_sequence_not_as_said(scene: Scene, verdict: FcsVerdict) -> Hits:
    """Take the verdict over the first frames."""
    evidence: tuple[str, ...] = (f"{verdict.matched} of {verdict.tested} match",)
    if verdict.state == OTHERWISE:
        taken = bool(scene.known.acknowledged)
        if taken:
            evidence += ("frames are acknowledged all the same",)
        severity = Severity.REMARK if taken else Severity.RISK
        yield Hit(verdict.text, evidence, verdict.state, (1,), severity, _SUMMED)
    elif verdict.state == AHEAD:
        yield Hit(verdict.text, evidence, verdict.state, (1,), Severity.RISK, _AHEAD)
    elif verdict.state in {STRIPPED, STATUS} and not verdict.as_claimed:
        yield Hit(verdict.text, evidence, verdict.state, (1,))
