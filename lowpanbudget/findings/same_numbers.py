"""Frames of one node under a sequence number that it had before: it is stuck, or two of them take turns."""

from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import HeardSender

_FEW = 5  # frames from which a node that always does the same is told; our choice
_RESEALED_S = 1.0  # a try secured anew is other octets under the same number; tries end long before


def told_by_number(sender: HeardSender, scene: Scene) -> Hits | None:
    """Note the number of a frame; say so when two of them take turns under other contents each time."""
    sequence, payload = scene.sequence, scene.payload
    mark = hash(scene.octets if payload is None else payload)
    last, other = (sender.sequence, sender.mark), sender.other
    if sequence == last[0] and sequence is not None:
        return _stuck(sender, scene, mark)
    is_back = sequence is not None and sequence == other[0] and mark != other[1]
    if not is_back:
        sender.swings, sender.swung_since = 0, sender.since
    sender.other, sender.sequence, sender.mark = last, sequence, mark
    sender.row, sender.since, sender.time_s = 1, scene.number, scene.time_s
    if not is_back:
        return None
    sender.swings += 1
    if sender.swings < _FEW:
        return None
    numbers = sorted((last[0] or 0, sequence or 0))
    cause = f"frames of different contents take turns under two sequence numbers, {numbers[0]} and {numbers[1]}"
    evidence = (f"since frame {sender.swung_since}",)
    return (Hit(cause, evidence, scene.sender, (sender.swung_since, scene.number)),)


def _stuck(sender: HeardSender, scene: Scene, mark: int) -> Hits | None:
    """Note a number that is that of the last frame; say so when several of other contents have had it."""
    is_resealed = scene.payload is None and scene.time_s - sender.time_s < _RESEALED_S
    if mark == sender.mark or is_resealed:
        return None
    sender.mark, sender.time_s = mark, scene.time_s
    sender.row += 1
    if sender.row < _FEW:
        return None
    cause = f"frames of different contents follow each other under one sequence number, {scene.sequence}"
    evidence = (f"since frame {sender.since}",)
    return (Hit(cause, evidence, scene.sender, (sender.since, scene.number)),)
