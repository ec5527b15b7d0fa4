"""Findings about link security, and about what is not read further."""

from lowpanbudget.cites import ieee
from lowpanbudget.errors import WireError
from lowpanbudget.findings import faults
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.repeats import key_text
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.link.auxiliary import LEVELS_CITE
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.link.security import NONCE
from lowpanbudget.stack.found import Notice

UNREAD = "record-unread"  # a record that holds no frame


class IntegrityCodeWrong(Rule):
    """The integrity code does not match under the key that the frame names.

    What it sees: a key of the key file fits the frame's key identifier, and the integrity code is wrong under it.
    Why it costs: a receiver drops the frame: the key differs, the nonce differs, or the octets were altered.
    When it is no fault: a key file with an old key, or without the index or source that tells keys apart.
    Example: the frames of 02:5e:10:00:00:00:00:17 fail under the key they name: the node has another key under the same
    index.
    What to do: Compare the keys, the extended address that the nonce is made of, and the key index on both sides.
    """

    name = "integrity-code-wrong"
    severity = Severity.FAILURE
    certainty = Certainty.CONFIGURATION
    cite = NONCE
    reads = (Notice,)

    def check(self, scene: Scene, thing: Notice) -> Hits:
        """Take the notice of unsealing."""
        if thing.name != "mic-wrong" or scene.mac is None or scene.mac.security is None:
            return NONE
        security = scene.mac.security
        counter = security.frame_counter
        evidence = f"{key_text(security)}, code {security.mic.hex()}"
        if counter is not None:
            evidence += f", frame counter {counter:#010x}"
        return (
            Hit(
                f"the frames of {scene.sender} fail under the key they name",
                (evidence,),
                scene.sender,
            ),
        )


class ExtendedAddressUnknown(Rule):
    """A secured frame cannot be verified because the sender's extended address is not known.

    What it sees: link security on, a short source address, and no extended address for it in the key file or seen.
    Why it costs: the nonce holds the extended address: without it nothing can be opened, which looks like a wrong key.
    When it is no fault: it is none of the network's; a receiver with a neighbour table knows the address.
    Example: the key is right, but the nonce needs the EUI-64 of the node with short address 0x0017, and it is not
    known.
    What to do: Add a line "0xSHORT" = "EUI-64" under [devices] of the key file.
    """

    name = "extended-address-unknown"
    severity = Severity.REMARK
    certainty = Certainty.CONFIGURATION
    cite = NONCE
    reads = (Notice,)

    def check(self, scene: Scene, thing: Notice) -> Hits:
        """Take the notice of unsealing."""
        if thing.name != "nonce-unknown":
            return NONE
        return (Hit(thing.text, (), scene.sender),)


class KeyMissing(Rule):
    """Frames are sealed and no key opens them.

    What it sees: secured, encrypted frames whose key identifier no key of the key file fits.
    Why it costs: what is inside cannot be judged: an audit of headers and payloads has nothing to look at.
    When it is no fault: it is none of the network's.
    Example: sealed; the key wanted: key id mode 1, index 1, and there is no key file.
    What to do: Give the keys in a key file (--keys); never on the command line.
    """

    name = "key-missing"
    severity = Severity.REMARK
    certainty = Certainty.CONFIGURATION
    cite = LEVELS_CITE
    reads = (Notice,)

    def check(self, scene: Scene, thing: Notice) -> Hits:
        """Take the notice of unsealing."""
        if thing.name != "key-missing" or scene.frame.payload is not None:
            return NONE
        return (Hit(thing.text, (), thing.text),)


class EncryptedWithoutIntegrity(Rule):
    """Frames are encrypted without an integrity code.

    What it sees: security level 4.
    Why it costs: anyone may flip bits of the clear text unseen; a replayed or altered frame passes.
    When it is no fault: never in a network that acts on what it receives; later editions deprecate the level.
    Example: security level 4 encrypts and does not verify.
    What to do: Use level 5 or higher; budget says what the code takes.
    """

    name = "encrypted-without-integrity"
    severity = Severity.RISK
    certainty = Certainty.FRAME
    cite = LEVELS_CITE
    reads = (Mac,)

    def check(self, scene: Scene, thing: Mac) -> Hits:
        """Look at the level."""
        if thing.security is None or thing.security.level != 4:
            return NONE
        return (Hit("security level 4 encrypts and does not verify", (), scene.sender),)


class NotReadFurther(Rule):
    """This program does not read a frame or record further, and does not say that it is wrong.

    What it sees: frame types, dispatches or compressed headers that are assigned but not built here, and records of
    the capture that hold no whole frame of this link.
    Why it costs: nothing on the air; the audit says nothing about what is inside.
    When it is no fault: it is none of the network's.
    Example: dispatch octet 0x43 in page 0 is LOWPAN_DFF, depth-first forwarding: not read further.
    What to do: Look at these frames by other means.
    """

    name = "not-read-further"
    severity = Severity.REMARK
    certainty = Certainty.FRAME
    cite = ieee(2015, "7.2.2")
    reads = (WireError, Notice)

    def check(self, scene: Scene, thing: WireError | Notice) -> Hits:
        """Take faults that only say so."""
        if isinstance(thing, Notice):
            return (Hit(thing.text, (), thing.text),) if thing.name == UNREAD else NONE
        if faults.owner(thing, scene) != self.name:
            return NONE
        return (Hit(thing.message, (faults.where(thing),), thing.message),)
