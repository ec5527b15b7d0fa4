"""Secured frames that no key opens: a key, an address or a slot number is missing, or the integrity code is wrong."""

from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.key_users import KeyName, KeyUser, key_words
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene, Surroundings
from lowpanbudget.findings.senders import TIMES_MORE, Station
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.values import dataclass, field

UNSEALING = Subject("unsealing")

# our choices; where one octet in ten frames is damaged, five in a row are so once in 100,000
_ROW = 5  # frames that fail one after the other which are no damage
_MOST_TEXTS = 4
_LEAST_TOLD = 20  # frames under a key, of which a share tells anything

_DAMAGE = "octets were damaged, or somebody without the key made the frames: others of their sender are right"
_UNDER_THE_KEY = "frames fail under the key that they name"
DAMAGED = (
    "Key, index and extended address are right. A capture with check sequences would tell damage: take one, nearer to "
    "the sender. Where all frames that fail have something in common, such as their destination, look at that."
)
DAMAGED_NAME = "Look for no key: others under that index would come. Capture with check sequences, which tell damage."


@dataclass(slots=True)
class FailedFrames:
    """Frames of a node that fail under a key, in a capture whose frames have no check sequence that would tell damage.

    ``right`` is how many others there were under the key when the last failed, ``row`` how many failed since one of
    those came. ``is_told``: so many failed in a row that it is no damage.
    """

    sender: str
    right: int = 0
    row: int = 0
    count: int = 0
    is_told: bool = False
    frames: Frames = field(default_factory=Frames)
    evidence: list[str] = field(default_factory=list)

    def take(self, right: int, number: int, evidence: str) -> None:
        """Take one more."""
        self.row = 1 if right > self.right else self.row + 1
        self.right = right
        self.count += 1
        self.frames.note(number)
        if len(self.evidence) < _MOST_TEXTS:
            self.evidence.append(evidence)

    def hit(self) -> Hit:
        """Return what they prove where the key is not known to be right."""
        frames = tuple(self.frames)
        return Hit(_UNDER_THE_KEY, tuple(self.evidence), self.sender, frames, times=self.count)

    def damaged(self, right: int, key: KeyName) -> Hit | None:
        """Return what they prove beside so many in all that are right under the key; None where it may be the key."""
        if right < self.count * TIMES_MORE or (right == self.right and self.row > 1):
            return None
        total = self.count + right
        heavy = total >= _LEAST_TOLD and self.count * 10 > total
        severity = Severity.RISK if heavy else Severity.REMARK
        return self._damage(f"{self.count} of {total} frames under {key}", severity)

    def damaged_name(self, user: KeyUser, key: KeyName) -> Hit | None:
        """Return what one frame proves that alone names a key, between others of its sender; None of any other."""
        usual = user.usual
        if self.count > 1 or key in user.uses or usual is None:
            return None
        use = user.uses[usual]
        if use.frames < TIMES_MORE or use.last < self.frames[0]:
            return None
        return self._damage(f"1 frame under {key}, {use.frames} under {usual}", Severity.REMARK)

    def _damage(self, share: str, severity: Severity) -> Hit:
        evidence, frames = (f"{self.sender}: {share}",), tuple(self.frames)
        return Hit(
            _DAMAGE, evidence, self.sender, frames, severity, DAMAGED, self.count, Certainty.CAPTURE
        )  # fmt: skip


class FailedOfSenders(FirstNamed[tuple[Station, KeyName], FailedFrames]):
    """By who sent them, and the key that they name."""


@UNSEALING.rule("integrity-code-wrong", Noticed("mic-wrong"), memory=FailedOfSenders)
def integrity_code_wrong(memory: FailedOfSenders, scene: Scene, _notice: Notice) -> Hits:
    """Take the notice of unsealing; where no check sequence was tested, others under the key tell what is wrong."""
    security, mac = scene.security, scene.mac
    if security is None or mac is None:
        return
    evidence = f"{key_words(security)}, code {security.mic.hex()}"
    if security.frame_counter is not None:
        evidence += f", frame counter {security.frame_counter:#010x}"
    elif scene.slot is not None:
        evidence += f", nonce of absolute slot number {scene.slot}, as the capture has it"
    hit = Hit(_UNDER_THE_KEY, (evidence,), scene.sender)
    key, failed = _key_name(security), None
    if scene.fcs_ok is None and mac.source is not None:
        station = mac.pan_id, mac.source
        failed = memory.entry((station, key), lambda: FailedFrames(scene.sender))
    if failed is None or failed.is_told:
        yield hit
        return
    user = scene.known.keys.get(station)
    use = None if user is None else user.uses.get(key)
    failed.take(0 if use is None else use.frames, scene.number, evidence)
    failed.is_told = failed.row >= _ROW
    yield failed.hit() if failed.is_told else hit._replace(cause="")


@UNSEALING.at_end("integrity-code-wrong")
def codes_wrong(memory: FailedOfSenders, known: Surroundings) -> Hits:
    """Tell of those that were too few in a row to be told at once."""
    for (station, key), failed in memory.items():
        if failed.is_told:
            continue
        user = known.keys.get(station)
        damage = None
        if user is not None:
            right = user.uses[key].frames if key in user.uses else 0
            damage = failed.damaged(right, key) or failed.damaged_name(user, key)
        yield damage or failed.hit()


def _key_name(security: Security) -> KeyName:
    return KeyName(key_words(security), security.key_source)


@UNSEALING.rule("extended-address-unknown", Noticed("nonce-unknown"))
def extended_address_unknown(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of unsealing; a line of the key file helps where a short address is all that is there."""
    mac = scene.mac
    if not _wants_slot(scene):
        advice = _NO_SOURCE if mac is not None and mac.source is None else ""
        yield Hit(notice.text, (), scene.sender, advice=advice)


@UNSEALING.rule("slot-number-unknown", Noticed("nonce-unknown"))
def slot_number_unknown(scene: Scene, notice: Notice) -> Hits:
    """Take the same notice where the slot number is what the nonce lacks."""
    if _wants_slot(scene):
        yield Hit(notice.text, (), scene.sender)


def _wants_slot(scene: Scene) -> bool:
    """Return whether the nonce holds the slot number, and the capture does not tell it."""
    return scene.security is not None and scene.slot is None and scene.security.is_by_slot


_NO_SOURCE = (
    "An acknowledgement that names no sender is that of the destination of the frame before it with the same number: "
    "see that the capture has that frame, and the key file the EUI-64 of its destination where that is a short address."
)


@UNSEALING.rule("key-missing", Noticed("key-missing"))
def key_missing(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of unsealing; the first frame of a node that names another key than before may be damaged."""
    security, mac = scene.security, scene.mac
    if scene.example_payload is not None or security is None or mac is None:
        return
    user = None if mac.source is None else scene.known.keys.get((mac.pan_id, mac.source))
    key = _key_name(security)
    if scene.fcs_ok is None and user is not None and (key in user.odd or user.names_first(key)):
        user.odd[key] = notice.text
        yield Hit("")
    else:
        yield Hit(notice.text, (), notice.text)


@UNSEALING.at_end("key-missing")
def keys_missing(known: Surroundings) -> Hits:
    """Tell of keys that nodes named beside another: those of one frame alone are no keys."""
    named: dict[KeyName, int] = {}
    for user in known.keys.values():
        for key, use in user.uses.items():
            named[key] = named.get(key, 0) + use.frames
    for user in known.keys.values():
        for key, text in user.odd.items():
            use, other = user.uses[key], user.usual
            if named[key] > 1 or other is None or user.uses[other].last < use.last:
                yield Hit(text, (), text, (use.first,), times=use.frames)
                continue
            cause = "octets were damaged: single frames name keys that no others do, between frames of their senders"
            evidence = f"frame {use.first}: {key}; {user.uses[other].frames} frames of {user.name}: {other}"
            yield Hit(
                cause,
                (evidence,),
                user.name,
                (use.first,),
                advice=DAMAGED_NAME,
                certainty=Certainty.CAPTURE,
            )
