"""Frames of a node that fail under a key, where no check sequence tells damage: what others under the key prove.

Damage hits frames whatever they are, and so does who alters them, where check sequences are right; a wrong key, index
or address all of a kind: of the node, to a destination, of a type, or those of a second device, whose frame counters
are others.
"""

from collections.abc import Iterator

from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import link_text
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.key_fit import KeyFits
from lowpanbudget.findings.key_users import KeyName, KeyUse, KeyUser
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.neighbour_slots import NeighbourSlots
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import TIMES_MORE, Station
from lowpanbudget.layers.link.control import SEQUENCE_NUMBERS
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.values import dataclass, field, replace

# our choices; where one octet in ten frames is damaged, five in a row are so once in 100,000
_ROW = 5  # frames that fail one after the other which are no damage
_CHANCE = 0.001  # at which so many of a kind fail by damage alone
_MOST_KINDS = 64
_MOST_TEXTS = 4
_LEAST_TOLD = 20  # frames under a key, of which a share tells anything
_LEAST_USUAL = 5  # frames of the node whose address has another bit
_MOST_LAST = 16  # frames that another receiver may still tell of
_LEAST_STRAYS = 3  # frames with counters of another row
_BEHIND, _AHEAD = 16, 256  # of the last counter: heard in another order, or none heard between

_DAMAGE = "octets were damaged, or somebody without the key made the frames: others of their sender are right"
UNDER_THE_KEY = "frames fail under the key that they name"
DAMAGED = (
    "Key, index and extended address are right for the others of the sender. A capture with check sequences would tell "
    "damage: take one, nearer to the sender. Frames of a second device with its short address look the same."
)
_ALTERED = (
    "octets were altered after they were sealed, or somebody without the key made the frames: others of their sender "
    "are right, and so are the check sequences of these"
)
ALTERED = (
    "Key, index and extended address are right for the others of the sender, and the air does not make check sequences "
    "right: look what changes octets behind the sealing, in the node, in a repeater or on the way into the capture, "
    "and who else sends under this address; signal strength, where the capture has it, tells. Frames of a second "
    "device with its short address look the same."
)
_Kind = tuple[str, bytes | int | None]  # "to" a destination, "of type" a number


@dataclass(slots=True)
class FailedRow:
    """Frames of a kind that fail: ``right`` others there were when the last did, ``row`` failed since one of those."""

    right: int = 0
    row: int = 0
    count: int = 0

    def take(self, right: int) -> None:
        """Take one more."""
        self.row = 1 if right > self.right else self.row + 1
        self.right = right
        self.count += 1


@dataclass(slots=True)
class FailedFrames:
    """Frames of a node that fail under a key, of which no check sequence tells damage: none has any, or all are right.

    ``all`` are they as one row, ``kinds`` as rows by destination and by type. ``is_told``: so many failed in a row that
    it is no damage. ``strays`` have frame counters far from those of the others. ``beside`` is said of one whose
    address, PAN ID with it, is that of another node but for one bit, between whose frames it is by its numbers.
    """

    sender: str
    all: FailedRow = field(default_factory=FailedRow)
    kinds: dict[_Kind, FailedRow] = field(default_factory=dict)
    strays: int = 0
    beside: tuple[KeyUser, str] | None = None
    is_told: bool = False
    frames: Frames = field(default_factory=Frames)
    evidence: list[str] = field(default_factory=list)

    def take(self, scene: Scene, mac: Mac, key: KeyName, evidence: str) -> None:
        """Take one more."""
        user = scene.known.keys.get((mac.pan_id, mac.source)) if mac.source is not None else None
        use = None if user is None else user.uses.get(key)
        self.all.take(0 if use is None else use.frames)
        for kind in (("to", mac.destination), ("of type", mac.frame_type)):
            if kind in self.kinds or len(self.kinds) < _MOST_KINDS:
                self.kinds.setdefault(kind, FailedRow()).take(_right(user, key, kind))
        if user is None:
            self.beside = _beside(scene, mac, key)
        elif use is not None and scene.counter is not None:
            self.strays += not use.counter - _BEHIND <= scene.counter <= use.counter + _AHEAD
        self.frames.note(scene.number)
        if len(self.evidence) < _MOST_TEXTS:
            self.evidence.append(evidence)
        self.is_told = self.all.row >= _ROW or any(
            row.row >= _ROW and self._is_no_chance(row, self.all.right)
            for row in self.kinds.values()
        )

    def as_they_are(self) -> "FailedFrames":
        """Return them as they are now, whatever comes after."""
        kinds = {kind: replace(row) for kind, row in self.kinds.items()}
        return replace(
            self,
            all=replace(self.all),
            kinds=kinds,
            frames=Frames(self.frames),
            evidence=[*self.evidence],
        )

    def hit(self, user: KeyUser | None, key: KeyName) -> Hit:
        """Return what they prove where the key is not known to be right."""
        evidence = (*self._in_common(user, key), *self.evidence)
        return Hit(UNDER_THE_KEY, evidence, self.sender, tuple(self.frames), times=self.all.count)

    def damaged(self, user: KeyUser | None, key: KeyName) -> Hit | None:
        """Return what they prove beside others that are right under the key; None where it may be the key."""
        if user is None:
            return self._damaged_address(key)
        if not self._are_few(user, key):
            return self._damaged_name(user, key)
        if any(self._in_common(user, key)):
            return None
        count = self.all.count
        total = count + user.uses[key].frames
        heavy = total >= _LEAST_TOLD and count * 10 > total
        severity = Severity.RISK if heavy else Severity.REMARK
        return self._damage(self.sender, f"{count} of {total} frames under {key}", severity)

    def altered(self, user: KeyUser | None, key: KeyName) -> Hit | None:
        """Return what they prove where their check sequences are right; None where it may be the key."""
        if user is None or self.is_told or not self._are_few(user, key):
            return None
        if any(self._in_common(user, key)):
            return None
        count = self.all.count
        cause = f"{_ALTERED}; {count} of {count + user.uses[key].frames} under {key}"
        return Hit(
            cause, (), self.sender, advice=ALTERED, certainty=Certainty.CAPTURE, restates=True
        )

    def _are_few(self, user: KeyUser, key: KeyName) -> bool:
        """Return whether many times more are right under the key, and some behind them where they came in a row."""
        right = user.uses[key].frames if key in user.uses else 0
        is_last = right == self.all.right and self.all.row > 1
        return right >= self.all.count * TIMES_MORE and not is_last

    def _damaged_name(self, user: KeyUser, key: KeyName) -> Hit | None:
        """Return what one frame proves that alone names a key, between others of its sender; None of any other."""
        usual = user.usual
        if self.all.count > 1 or key in user.uses or usual is None:
            return None
        use = user.uses[usual]
        if use.frames < TIMES_MORE or use.last < self.frames[0]:
            return None
        share = f"1 frame under {key}, {use.frames} under {usual}"
        return self._damage(self.sender, share, Severity.REMARK)

    def _damaged_address(self, key: KeyName) -> Hit | None:
        """Return what one frame proves of an address in which nothing is right; None of any other."""
        if self.all.count > 1 or self.beside is None:
            return None
        user, text = self.beside
        right = user.uses[key].frames
        if right < _LEAST_USUAL:
            return None
        return self._damage(user.name, f"{text}, {right} frames under {key}", Severity.REMARK)

    def _damage(self, sender: str, share: str, severity: Severity) -> Hit:
        evidence, frames = (f"{sender}: {share}",), tuple(self.frames)
        return Hit(
            _DAMAGE, evidence, sender, frames, severity, DAMAGED, self.all.count, Certainty.CAPTURE
        )

    def _in_common(self, user: KeyUser | None, key: KeyName) -> Iterator[str]:
        """Yield in words what the frames that fail have in common, and those that are right have not."""
        all_right = user.uses[key].frames if user is not None and key in user.uses else 0
        for (word, value), row in self.kinds.items():
            right = _right(user, key, (word, value))
            if row.row < 2 or right > row.right or not self._is_no_chance(row, all_right):
                continue
            failed = self.all.count - row.count
            which = f"all {row.count}" if not right else f"the last {row.row}"
            of = f"{failed or 'none'} of {failed + all_right - right} others"
            yield f"{which} frames {word} {_words(value)} fail, and {of}"
        if self.strays >= _LEAST_STRAYS and self.strays * 2 > self.all.count:
            yield f"{self.strays} have frame counters far from those of the others, as a second device would"

    def _is_no_chance(self, row: FailedRow, all_right: int) -> bool:
        failed, right = self.all.count - row.count, all_right - row.right
        share = (failed + 1) / (failed + right + 2)
        return len(self.kinds) * float(share**row.row) < _CHANCE


class FailedOfSenders(FirstNamed[tuple[Station, KeyName], FailedFrames]):
    """By who sent them, and the key that they name; the ``last`` as they were before a frame was taken.

    ``altered`` are those with right check sequences, ``slots`` open with another slot number, ``fits`` are told where
    no frame opens at all.
    """

    def __init__(self) -> None:
        super().__init__()
        self.altered = FirstNamed[tuple[Station, KeyName], FailedFrames]()
        self.slots = NeighbourSlots()
        self.fits = KeyFits()
        self.last: Recent[int, tuple[tuple[Station, KeyName], FailedFrames]] = Recent(_MOST_LAST)

    def note(self, number: int, station: Station, key: KeyName) -> None:
        """Remember those of a sender before a frame is taken."""
        self.last[number] = (station, key), self[station, key].as_they_are()

    def take_back(self, number: int) -> None:
        """Forget a frame of which another receiver knows that it was damaged, and what came after it of its sender."""
        of, before = self.last.pop(number, (None, None))
        if of is not None and before is not None:
            self[of] = before


def _right(user: KeyUser | None, key: KeyName, kind: _Kind) -> int:
    """Return how many frames of a kind were right under a key."""
    word, value = kind
    sent = {} if user is None else user.sent
    place = 1 if word == "to" else 2
    return sum(count for one, count in sent.items() if one[0] == key and one[place] == value)


def _words(value: bytes | int | None) -> str:
    if isinstance(value, int):
        return FrameType(value).name.lower()
    return "nobody" if value is None else link_text(value)


def _beside(scene: Scene, mac: Mac, key: KeyName) -> tuple[KeyUser, str] | None:
    """Return the node whose address, PAN ID with it, is this but for one bit, and in words what tells so."""
    pan, source = mac.pan_id, mac.source
    if pan is None or source is None:
        return None
    bits, octets = int.from_bytes(source, "big"), len(source)
    others: list[Station] = [(pan ^ 1 << bit, source) for bit in range(16)]
    others += [(pan, (bits ^ 1 << bit).to_bytes(octets, "big")) for bit in range(8 * octets)]
    for other in others:
        user = scene.known.keys.get(other)
        use = None if user is None else user.uses.get(key)
        if user is not None and use is not None and _follows(scene, use):
            where = f"{link_text(source)} of PAN {pan:#06x}"
            return (
                user,
                f"1 frame of {where}, which is one bit off, goes on in the numbers of this node",
            )
    return None


def _follows(scene: Scene, use: KeyUse) -> bool:
    """Return whether frame counter and sequence number go on from a node's last frame, or are those of that one."""
    if scene.counter is None or scene.sequence is None or use.sequence is None:
        return False
    further = scene.counter - use.counter
    in_step = (scene.sequence - use.sequence - further) % SEQUENCE_NUMBERS == 0
    return 0 <= further <= _AHEAD and in_step
