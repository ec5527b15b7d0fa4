"""Secured frames that no key opens: a key, an address or a slot number is missing, or the integrity code is wrong."""

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.slot_notice import SLOT_RECKONED
from lowpanbudget.env import link_text
from lowpanbudget.findings import concerns
from lowpanbudget.findings.captures.check_sequences import HEARD, HEARD_AGAIN
from lowpanbudget.findings.failed_frames import UNDER_THE_KEY, FailedFrames, FailedOfSenders
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.key_users import LEAST_USUAL, KeyName, key_words
from lowpanbudget.findings.memory import Frames
from lowpanbudget.findings.rule import Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.link.stations import network_of, network_text
from lowpanbudget.stack.incoming import Notice

UNSEALING = Subject("unsealing", across=True)

_GUESSED = "the nonce was made with the EUI-64 that the identifier of the sender would be made of: it need not be"
_GIVE_EUI = "Give the EUI-64 of the node under [devices] of the key file (--keys), before the key is looked at."
DAMAGED_NAME = "Look for no key: others under that index would come. Capture with check sequences, which tell damage."


@UNSEALING.rule(
    "integrity-code-wrong", HEARD, memory=FailedOfSenders, concerns=concerns.nonce_of_slot
)
def opened_otherwise(memory: FailedOfSenders, scene: Scene, sighting: Sighting) -> None:
    """Note frames whose nonce is the slot number, and try neighbours with those that fail."""
    mac, again = scene.mac, (sighting.repeats, sighting.heard_as)
    if mac is None or any(one is not None for one in again) or not concerns.nonce_of_slot(scene):
        return
    if sighting.verified or scene.is_forged:
        memory.slots.take(sighting, mac, scene.sender)


@UNSEALING.rule("integrity-code-wrong", Mac, memory=FailedOfSenders, concerns=concerns.no_more)
def opened(memory: FailedOfSenders, scene: Scene, mac: Mac) -> None:
    """Note under which keys frames open: those that are alike open as the first does."""
    if mac.security is not None and scene.frame.verified:
        memory.fits.succeed(mac.pan_id, _key_name(mac.security))


@UNSEALING.rule("integrity-code-wrong", Noticed("mic-wrong"), memory=FailedOfSenders)
def integrity_code_wrong(memory: FailedOfSenders, scene: Scene, _notice: Notice) -> Hits:
    """Take the notice of unsealing; where no check sequence was tested, others under the key tell what is wrong."""
    security, mac = scene.security, scene.mac
    if security is None or mac is None:
        return
    key, failed = _key_name(security), None
    if mac.source is not None and memory.slots.opened((mac.pan_id, mac.source), scene.number):
        memory.fits.succeed(mac.pan_id, key)
        yield Hit("")
        return
    evidence = f"{key_words(security)}, code {security.mic.hex()}"
    if security.frame_counter is not None:
        evidence += f", frame counter {security.frame_counter:#010x}"
    elif scene.slot is not None:
        evidence += f", nonce of absolute slot number {scene.slot}, as the capture has it"
    device = scene.sighting.device
    if device is not None:  # as given it stands in the key file
        evidence += (
            f", EUI-64 {link_text(device.eui64)} by its {device.how} in frame {device.number}"
        )
    if device is not None and device.is_guess:
        yield Hit(
            _GUESSED,
            (evidence,),
            scene.sender,
            severity=Severity.REMARK,
            advice=_GIVE_EUI,
            certainty=Certainty.OPEN,
        )
        memory.fits.fail((mac.pan_id, mac.source or b""), scene.sender, key, security)
        return
    hit = Hit(UNDER_THE_KEY, (evidence,), scene.sender)
    station = mac.pan_id, mac.source or b""
    memory.fits.fail(station, scene.sender, key, security)
    if scene.fcs_ok is None and mac.source is not None:
        failed = memory.entry((station, key), lambda: FailedFrames(scene.sender))
    elif mac.source is not None and not security.is_by_slot:  # of slots it may have other numbers
        altered = memory.altered.entry((station, key), lambda: FailedFrames(scene.sender))
        if altered is not None and not altered.is_told:
            altered.take(scene, mac, key, evidence)
    if failed is None or failed.is_told:
        yield hit
        return
    memory.note(scene.number, station, key)
    failed.take(scene, mac, key, evidence)
    told = failed.is_told
    yield failed.hit(scene.known.keys.get(station), key) if told else hit._replace(cause="")


@UNSEALING.rule("integrity-code-wrong", HEARD_AGAIN)
def heard_damaged(memory: FailedOfSenders, scene: Scene, sighting: Sighting) -> None:
    """Take back what another receiver knows by its check sequence to be damage."""
    if scene.fcs_ok is False and sighting.heard_as is not None:
        memory.take_back(sighting.heard_as)


@UNSEALING.at_end("integrity-code-wrong")
def codes_wrong(memory: FailedOfSenders, known: Surroundings) -> Hits:
    """Tell of those that were too few in a row to be told at once, and of those that other slot numbers open."""
    yield from memory.slots.hits()
    for (station, key), failed in memory.items():
        if failed.is_told or not failed.all.count:
            continue
        user = known.keys.get(station)
        yield failed.damaged(user, key) or failed.hit(user, key)
    for (station, key), failed in memory.altered.items():
        yield from filter(None, [failed.altered(known.keys.get(station), key)])
    yield from memory.fits.hits(known.design)


def _key_name(security: Security) -> KeyName:
    return KeyName(key_words(security), security.key_source)


@UNSEALING.rule("extended-address-unknown", Noticed("nonce-unknown"))
def extended_address_unknown(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of unsealing; a line of the key file helps where a short address is all that is there."""
    mac = scene.mac
    if _wants_slot(scene):
        return
    if mac is not None and mac.source is None:
        yield Hit(notice.text, (), scene.sender, advice=_NO_SOURCE)
        return
    pan = scene.known.home.beside(mac)
    advice = "" if pan is None else _OF_PAN.format(pan=network_text(pan))
    turned = _turned_device(scene, mac)
    if turned:
        yield Hit(_NO_EUI, (turned,), scene.sender, advice=_TURNED)
    else:
        yield Hit(_NO_EUI, (), scene.sender, advice=advice)


def _turned_device(scene: Scene, mac: Mac | None) -> str:
    """Return in words that its short address, with the octets turned, is that of a device not heard yet; or nothing."""
    source = b"" if mac is None or mac.source is None else mac.source
    short, devices = int.from_bytes(source, "little"), scene.sighting.decoder.devices
    if mac is None or len(source) != 2 or (mac.pan_id, source[::-1]) in scene.known.senders:
        return ""
    is_known = short in devices or (mac.pan_id is not None and (mac.pan_id, short) in devices)
    return f"the key file has {short:#06x}, whose octets these are in reverse" if is_known else ""


_TURNED = (
    "Look whether the node writes its addresses with the most significant octet first: in the MAC header the least "
    'significant one is. Where it is another node, add a line "0xSHORT" = "EUI-64" under [devices] of the key file.'
)


_NO_EUI = "the nonce needs the EUI-64 of the sender, and the short address is all that is known"
_OF_PAN = (
    'Add a line "{pan}/0xSHORT" = "EUI-64" under [devices] of the key file, where the nodes are yours: a line without '
    "the PAN is of all."
)


@UNSEALING.rule("slot-number-unknown", Noticed("nonce-unknown"), memory=Frames)
def slot_number_unknown(_memory: Frames, scene: Scene, notice: Notice) -> Hits:
    """Take the same notice where the slot number is what the nonce lacks."""
    if _wants_slot(scene):
        yield Hit(notice.text, (), scene.sender)


@UNSEALING.rule("slot-number-unknown", Noticed(SLOT_RECKONED))
def slot_number_reckoned(memory: Frames, scene: Scene, _notice: Notice) -> Hits:
    """Say once that slot numbers were reckoned: each frame says so for itself."""
    if not memory:
        memory.note(scene.number)
        yield Hit(_RECKONED, (), "the capture", advice=_NOTHING)


_RECKONED = "from this frame on they were reckoned from beacons and times, and the integrity codes are right with them"
_NOTHING = "Nothing is to be done for these. A capture that tells slot numbers (link type 283 can) opens others too."


def _wants_slot(scene: Scene) -> bool:
    """Return whether the nonce holds the slot number, and neither the capture tells it nor its beacons."""
    by_slot = scene.security is not None and scene.security.is_by_slot
    return by_slot and scene.slot is None and scene.sighting.reckoned is None


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
        if user is not None and key in user.uses:
            user.missing[key] = notice.text
        network = scene.known.home.network(network_of(mac))  # each has keys of its own
        yield Hit(notice.text, (), notice.text, network=network)


@UNSEALING.at_end("key-missing")
def keys_missing(known: Surroundings) -> Hits:
    """Tell of keys that nodes named beside another: those of one frame alone are no keys."""
    named: dict[tuple[int | None, KeyName], int] = {}
    for (pan, _), user in known.keys.items():
        for key, use in user.uses.items():
            named[pan, key] = named.get((pan, key), 0) + use.frames
    for (pan, _), user in known.keys.items():
        network = known.home.network(pan)
        for key, text in user.missing.items():
            yield from _named_alone(known, pan, key, Hit(text, (), text, times=0, network=network))
        for key, text in user.odd.items():
            use, other = user.uses[key], user.usual
            if named[pan, key] > 1 or other is None or user.uses[other].last < use.last:
                yield Hit(text, (), text, (use.first,), times=use.frames, network=network)
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
                network=network,
            )


def _named_alone(known: Surroundings, pan: int | None, key: KeyName, hit: Hit) -> Hits:
    """Tell of a missing key that one node alone names, beside others with another one; that may be a wrong index.

    Where the key of the others is here and the node names no other, it is no key that somebody forgot to give.
    """
    alone = known.keys.alone(pan, key)
    if alone is None:
        return
    user, usual, others = alone
    use = user.uses[key]
    told = f"{user.name} alone names it, first in frame {use.first}; {others} others: {usual}"
    is_given = all(usual not in one.missing for one in known.keys.values())
    is_wrong = is_given and len(user.uses) == 1 and use.frames >= LEAST_USUAL
    is_wrong &= user.is_spoken_to  # else key-named-by-one-node tells
    severity, advice = (Severity.RISK, _ALONE.format(user.name)) if is_wrong else (None, "")
    yield hit._replace(evidence=(told,), frames=(use.first,), severity=severity, advice=advice)


_ALONE = (
    "Compare the key index and key source of {} with those of the others: who has no key by that name drops its "
    "frames. If it rightly has a key of its own, give that in the key file (--keys)."
)
