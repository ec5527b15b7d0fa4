"""Link security: keys, integrity codes, frame counters."""

from hashlib import blake2b
from math import inf

from lowpanbudget.capture.follow.clock import LEAP_S
from lowpanbudget.capture.follow.parts import REPEAT_NS
from lowpanbudget.capture.recent import Recent
from lowpanbudget.cites import ieee, rfc
from lowpanbudget.findings import concerns
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.key_users import key_words
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import CounterUse
from lowpanbudget.findings.wording import octets_text, seconds_text
from lowpanbudget.layers.link.auxiliary import COUNTERS_END, LEVELS
from lowpanbudget.layers.link.mac import LARGEST_FRAME, Mac
from lowpanbudget.stack.proof import KEY_UNPROVEN
from lowpanbudget.values import dataclass, field

_REORDER = 8  # a capture put together from several receivers may swap neighbours

SECURITY = Subject("security", across=True)

# PAN and EUI-64, or address, of who sends under a key, and how the key is named: mode, source, index
SecuredSender = tuple[int | None, bytes, int, bytes | None, int | None]


def secured_sender(scene: Scene, mac: Mac) -> SecuredSender | None:
    """Return the sender of a secured frame; None of any other, and of one that somebody forged."""
    security = mac.security
    if security is None or not security.level or mac.source is None:
        return None
    source = scene.sealed_by
    if scene.is_forged or source is None:
        return None
    key = (security.key_id_mode, security.key_source, security.key_index)
    return (mac.pan_id, source, *key)


# the last counters of a sender, or its last slots, with the frame that used each first
CountersUsed = Recent[int, CounterUse]
_MOST_COUNTERS = 32
_MOST_FRAMES = 16_384  # of a network with four frames a second an hour; our choice
_RETRIES_S = REPEAT_NS / 10**9
_ANSWER_S = 1.0  # from a data request to what was held, which waits for the channel; our choice
_CLOCKS_S = 1.0  # less lies between two receivers whose captures were put together; our choice


def _kept(octets: bytes) -> bytes:
    """Return a frame to compare with later; of a long one its digest."""
    return octets if len(octets) <= LARGEST_FRAME else _digest(octets)


def _digest(octets: bytes) -> bytes:
    return blake2b(octets, digest_size=8).digest()


@dataclass(slots=True)
class SecuredFrames:
    """The last counters of each sender, and digests of the last frames of all, with number and time.

    Who plays frames again recorded them minutes ago, when a router has used hundreds of counters since.
    """

    counters: Recent[SecuredSender, CountersUsed] = field(default_factory=Recent)
    digests: Recent[bytes, tuple[int, float]] = field(default_factory=lambda: Recent(_MOST_FRAMES))
    commands: Recent[tuple[bytes | None, bytes | None], float] = field(default_factory=Recent)

    def is_fetched(self, scene: Scene, mac: Mac) -> bool:
        """Return whether its receiver had sent a command just before: a data request, or one that is sealed."""
        return scene.time_s - self.commands.get((mac.destination, mac.source), -inf) <= _ANSWER_S

    def before(
        self, scene: Scene, sender: SecuredSender, counter: int, whole: bytes
    ) -> CounterUse | None:
        """Return what used the counter first, or was the same frame long ago; note a frame that is neither."""
        used = self.counters.get(sender)
        if used is None:
            used = self.counters[sender] = CountersUsed(_MOST_COUNTERS)
        before = used.get(counter)
        if before is not None:
            return before
        destination = None if scene.mac is None else scene.mac.destination
        use = CounterUse(
            _kept(whole), len(whole), scene.number, scene.time_s, destination, scene.sequence
        )
        first = self.digests.setdefault(_digest(whole), (scene.number, scene.time_s))
        if first[0] != scene.number:
            return use._replace(number=first[0], time_s=first[1])
        used[counter] = use
        return None


@SECURITY.rule("frame-replayed", Scene, memory=SecuredFrames, concerns=concerns.command)
def command_sent(memory: SecuredFrames, scene: Scene, _frame: Scene) -> None:
    """Note when a node sent a command to another last, which may fetch what that holds for it."""
    mac = scene.frame.mac
    if mac is not None and concerns.command(scene):
        memory.commands[mac.source, mac.destination] = scene.time_s


@SECURITY.rule("frame-replayed", Scene, memory=SecuredFrames, concerns=concerns.link_security)
def frame_replayed(memory: SecuredFrames, scene: Scene, _frame: Scene) -> Hits | None:
    """Note who used each counter; tell the same octets that no MAC sends again as its retry.

    A MAC sends again what asks for an acknowledgement, at most macMaxFrameRetries times, 7, and before what it has for
    the same receiver next (IEEE 802.15.4-2015 clause 6.7.4.3; the order is common practice, no source). What is held
    for a node that sleeps is sent once for each of its data requests, until it is acknowledged (clause 6.7.3, from
    memory).
    """
    mac, counter = scene.frame.mac, scene.counter
    if mac is None or counter is None or scene.fcs_ok is False:
        return None
    sender = secured_sender(scene, mac)
    if sender is None:
        return None
    whole = scene.octets[: len(scene.octets) - scene.fcs]
    scene.used_before = before = memory.before(scene, sender, counter, whole)
    if before is None:
        return None
    past_s = scene.time_s - before.time_s
    if before.octets != _kept(whole) or not past_s >= _CLOCKS_S:
        return None
    used = memory.counters[sender].items()
    later = (one for number, one in used if number > counter and one.number > before.number)
    between = next((one for one in later if one.destination == mac.destination), None)
    if between is not None:
        why = f"frame {between.number} to the same receiver came between, with a higher counter"
    elif not mac.ack_request:
        why = "it asks for no acknowledgement, so its MAC sends it once"
    elif past_s > _RETRIES_S and not memory.is_fetched(scene, mac):
        why = "the tries of one frame do not last that long"
    else:
        return None
    scene.is_replayed = True
    frames = before.number, scene.number
    told = f"frame counter {counter:#010x} in frames {frames[0]} and {frames[1]}"
    evidence = (f"{told}, {seconds_text(past_s)} apart: equal octet for octet", why)
    return (Hit("secured frames come again, and are no retries", evidence, scene.sender, frames),)


def _differ(octets: bytes, before: bytes) -> str:
    """Return which octets of two frames of one length differ."""
    places = [at for at, pair in enumerate(zip(octets, before, strict=True)) if len({*pair}) > 1]
    return f"different octets: {len(places)}, the first is octet {places[0]}, the last {places[-1]}"


# by who sent and how the key is named: frames that opened in that slot, else as one receiver has their slots
SlotsUsed = Recent[tuple[SecuredSender, bool, str | None], CountersUsed]


def _slot(scene: Scene) -> int | None:
    """Return the slot number of the nonce: as the capture tells it, or as it was reckoned where that opened it."""
    return scene.sighting.reckoned if scene.slot is None and scene.frame.verified else scene.slot


@SECURITY.rule(
    "frame-counter-used-twice", Mac, memory=Recent, concerns=concerns.nonce_without_counter
)
def slot_number_used_twice(memory: SlotsUsed, scene: Scene, mac: Mac) -> Hits | None:
    """Compare the frame with the one whose nonce had its slot number before.

    Its integrity code proves the number; else the capture alone tells it, and the receiver may count wrong.
    """
    security, slot, is_proved = mac.security, _slot(scene), scene.frame.verified
    if security is None or not security.is_by_slot or slot is None:
        return None
    sender = secured_sender(scene, mac)
    if sender is None or not (is_proved or scene.fcs_ok):
        return None
    whose = sender, is_proved, None if is_proved else scene.sighting.record.receiver
    used = memory.get(whose)
    if used is None:
        used = memory[whose] = CountersUsed(_MOST_COUNTERS)
    octets = scene.octets[: len(scene.octets) - scene.fcs]
    use = CounterUse(_kept(octets), len(octets), scene.number, scene.time_s, mac.destination)
    before = used.setdefault(slot, use)
    if before.octets == use.octets:
        return None
    text, of = f"slot number {slot}", f"two different frames ({key_words(security)})"
    evidence, frames = _differing(text, before, octets, scene), (before.number, scene.number)
    if is_proved:
        scene.used_before = None  # its counter is the lesser matter
        cause = f"{scene.sender} sealed {of} with one nonce: both open with the {text} in it"
        return (Hit(cause, evidence, scene.sender, frames, advice=_SLOT, cite=_ASN),)
    cause = f"the capture has one {text} for {of} of {scene.sender}"
    return (
        Hit(cause, evidence, scene.sender, frames, Severity.REMARK, _TOLD, 1, Certainty.OPEN, _ASN),
    )


_ASN = rfc(9030, "6.4")
_SLOT = (
    "Seal a frame when it goes out, with the number of that slot, and send no other one in it; let no node begin with "
    "an old number again, as one does that takes it from a beacon that somebody plays again. If the frames were "
    "encrypted, agree on a new key."
)
_TOLD = (
    "Give the keys: frames that open with this number prove that one nonce sealed both. Else look how the receiver of "
    "the capture counts: a node sends one frame in a slot."
)


def _differing(text: str, before: CounterUse, octets: bytes, scene: Scene) -> tuple[str, ...]:
    """Return what two frames with one number show: which they are, and in what they differ."""
    which = f"{text} in frames {before.number} and {scene.number}"
    if before.length != len(octets):
        return which, f"one has {octets_text(before.length)}, the other {len(octets)}"
    return (
        (which, _differ(octets, before.octets)) if len(before.octets) == len(octets) else (which,)
    )


@SECURITY.rule("frame-counter-used-twice", Mac, memory=Recent, concerns=concerns.link_security)
def frame_counter_used_twice(_memory: SlotsUsed, scene: Scene, mac: Mac) -> Hits | None:
    """Compare the frame with the one that used its counter before.

    Where the slot number makes the nonce, a frame that is sent again is sealed anew, under its sequence number.
    """
    before, counter, security = scene.used_before, scene.counter, mac.security
    if before is None or counter is None or security is None:
        return None
    octets = scene.octets[: len(scene.octets) - scene.fcs]
    if before.octets == _kept(octets):
        return None
    text = f"frame counter {counter:#010x}"
    cause = f"{scene.sender} used a {text} for two different frames ({key_words(security)})"
    evidence, frames = _differing(text, before, octets, scene), (before.number, scene.number)
    if not security.is_by_slot:
        return (Hit(cause, evidence, scene.sender, frames),)
    if before.sequence == scene.sequence:
        return None
    cause += "; the slot number makes their nonces, so that none is used twice by this"
    return (
        Hit(cause, evidence, scene.sender, frames, Severity.RISK, _COUNT, cite=ieee(2015, "9.2.3")),
    )


_COUNT = (
    "Increase the counter for every frame, as it is sent: receivers that compare it with the last one drop the later "
    "frame. The key may stay: the counter is no part of these nonces."
)


@SECURITY.rule("frame-counter-went-back", Mac, memory=Recent, concerns=concerns.link_security)
def frame_counter_went_back(
    memory: Recent[SecuredSender, tuple[int, int, float]], scene: Scene, mac: Mac
) -> Hits | None:
    """Compare with the highest counter so far, and the frame that had it; a frame that comes again did not go back."""
    counter = scene.counter
    sender = None if counter is None else secured_sender(scene, mac)
    if sender is None or counter is None:
        return None
    before = scene.used_before
    if before is not None and before.octets == _kept(scene.octets[: len(scene.octets) - scene.fcs]):
        return None
    highest, number, time_s = memory.get(sender, (-1, 0, 0.0))
    if counter < highest and highest - counter <= _REORDER:
        return None
    memory[sender] = (counter, scene.number, scene.time_s)  # said once for each step back
    # by a step so wide no time tells their order; without times they came as they stand
    if counter < highest and not abs(scene.time_s - time_s) >= LEAP_S:
        cause = (
            f"the frame counter of {scene.sender} went from {highest:#010x} back to {counter:#010x}"
        )
        evidence = (f"frame {number}: {highest:#010x}; frame {scene.number}: {counter:#010x}",)
        severity = Severity.RISK if mac.security is not None and mac.security.is_by_slot else None
        return (Hit(cause, evidence, scene.sender, (number, scene.number), severity),)
    return None


@SECURITY.rule("frame-counter-at-its-end", Mac, varies=True, concerns=concerns.link_security)
def frame_counter_at_its_end(scene: Scene, mac: Mac) -> Hits | None:
    """Compare with the highest number that its four octets hold, which no frame may carry."""
    if scene.counter != COUNTERS_END or mac.security is None or secured_sender(scene, mac) is None:
        return None
    cause = f"frames carry the frame counter {COUNTERS_END:#010x}, which is the end of a key"
    return (Hit(cause, (key_words(mac.security),), scene.sender),)


@SECURITY.rule("encrypted-without-integrity", Mac)
def encrypted_without_integrity(scene: Scene, mac: Mac) -> Hits:
    """Look at the level."""
    security = mac.security
    if security is not None and LEVELS[security.level].encrypted and not LEVELS[security.level].mic:
        cause = f"security level {security.level} encrypts and does not verify"
        told = tuple(one.text for one in scene.frame.notices if one.name == KEY_UNPROVEN)
        yield Hit(cause, told, scene.sender)
