"""Sealed frames that fail, or name a key that is missing, in a capture that tells of no damage: link type 230."""

from collections.abc import Iterable
from functools import partial

from findings import air
from findings.air import Capture
from findings.cases_further import Further
from findings.cases_link import in_slots
from findings.judge import Told

from lowpanbudget import Key, encode_frame
from lowpanbudget.findings.captures.unsealing import DAMAGED_NAME
from lowpanbudget.findings.failed_frames import ALTERED, DAMAGED
from lowpanbudget.layers.link.auxiliary import Security

OTHER = 0xABCE
SENDER = "02:5e:10:00:00:00:00:17"
INDEX_AT = 26  # behind 21 octets of MAC header: security control, frame counter (4), key index
_CIPHERTEXT_AT = 30
_CODES = [
    f"key id mode 1, index 1, code {code}, frame counter {5 + place:#010x}"
    for place, code in enumerate(("d533b385", "1b947f42", "dbcea6ff", "8bb071f1", "3ad27deb"), 25)
]
DAMAGE = "octets were damaged, or somebody without the key made the frames: others of their sender are right"
WANTED = "no key for this frame: key id mode 1, index 33"
ONLY_1 = Key(air.KEY, key_id_mode=1, index=1)
FAILED = "frames fail under the key that they name"


def altered(
    at: int, places: Iterable[int], mask: int = 1, key: object = air.KEY, fcs: int = 0
) -> Capture:
    """30 frames, those at some places with bits inverted on their way; or before a check sequence was made of them."""
    frames = []
    for number in range(30):
        octets = bytearray(air.secured(b"data", number, 5 + number)[:-2])
        octets[at] ^= mask * (number in places)
        frames.append(air.mended(bytes(octets) + bytes(2)) if fcs else bytes(octets))
    return Capture(list(frames), fcs=fcs, keys=(key,))


def in_slots_altered(places: Iterable[int]) -> Capture:
    """30 frames in slots, some of which the receiver has another number for, far from that of their nonce."""
    sealed = tuple(range(1000, 4000, 100))
    told = tuple(slot + 50 * (place in places) for place, slot in enumerate(sealed))
    return in_slots(*sealed, told=told)


BROADCASTS = (5, 15, 25)


def with_broadcasts(places: Iterable[int]) -> Capture:
    """30 frames, three of them broadcasts; those at some places under a key that is not known."""
    frames = []
    for number in range(30):
        links = (air.FAR_NODE, air.BROADCAST if number in BROADCASTS else air.FAR_ROOT)
        octets = bytearray(air.secured(b"data", number, 5 + number, links=links)[:-2])
        octets[-1] ^= number in places
        frames.append(bytes(octets))
    return Capture(list(frames), fcs=0, keys=(air.KEY,))


def with_another(counter: int, sequence: int, places: Iterable[int], pan: int = air.PAN) -> Capture:
    """30 frames, some followed by one that fails, in a PAN of its own or not, whose numbers go on from a place."""
    frames = []
    for number in range(30):
        frames.append(air.secured(b"data", number, 5 + number)[:-2])
        if number in places:
            octets = bytearray(
                air.secured(b"more", sequence + number & 0xFF, counter + number)[:-2]
            )
            octets[3:5] = pan.to_bytes(2, "little")
            octets[-1] ^= 1
            frames.append(bytes(octets))
    return Capture(list(frames), fcs=0, keys=(air.KEY,))


def codes(capture: Capture, *numbers: int) -> tuple[str, ...]:
    """What stands in frames: behind security control, which is 0x0d, the counter; the code of level 5 at the end."""
    octets = [one[: -capture.fcs or None] for one in capture.air if isinstance(one, bytes)]
    told = [(octets[number - 1], octets[number - 1].index(b"\x0d") + 1) for number in numbers]
    return tuple(
        f"key id mode 1, index 1, code {one[-4:].hex()}, frame counter {one[at : at + 4][::-1].hex():0>8}".replace(
            "counter ", "counter 0x"
        )
        for one, at in told
    )


def by_turns(right: Iterable[int] = (), short: bool = False, pan: int = air.PAN) -> Capture:
    """Six frames of the node and of the root in turn, under a key that the key file lacks but for some of them."""
    frames = []
    links = (air.NODE, air.ROOT) if short else (air.FAR_NODE, air.FAR_ROOT)
    for number in range(12):
        ends = links if number % 2 else links[::-1]
        security = Security(5, 1, 5 + number, key_index=1)
        header = air.mac(number, ends, security=security, destination_pan=pan)
        packed = air.payload(air.datagram(b"data", links=ends), ends)
        key = air.KEY if number in right else bytes(16)
        frames.append(encode_frame(header, packed, key=key, devices=SHORT).octets)
    return Capture([*frames], keys=(air.KEY,), devices=SHORT if short else {})


def beside(right: Iterable[int], short: bool = False) -> Capture:
    """Those of the network, and others in the PAN beside it: of short addresses, or of the same node; all fail."""
    others = by_turns(short=short, pan=OTHER).air[not short :: 2 - short]
    frames = [*by_turns(right).air, *others]
    return Capture([*frames], keys=(air.KEY,), devices=SHORT if short else {})


SHORT = {0x17: air.FAR_NODE, 0x01: air.FAR_ROOT}
NONE_OPENS = (
    "none of 12 frames of 2 nodes under key id mode 1, index 1 opens: the key of the key file"
)
CHECK_FILE = (
    "Look at the key file before the nodes: is it that of this network, and of this time? Compare the octets of the "
    "key, their order, its index and source{devices}. Of another network, whose keys nobody gave you, nothing is wrong."
)


OF_OTHER_SLOTS = tuple(
    f"key id mode 1, index 1, code {octets[-6:-2].hex()}, nonce of absolute slot number {slot}, as the capture has it"
    for place, (octets, slot) in enumerate(
        zip(in_slots_altered((5, 11, 20)).air, in_slots_altered((5, 11, 20)).slots, strict=True)
    )
    if place in {5, 11, 20} and isinstance(octets, bytes)
)
NEXT = "which is one bit off, goes on in the numbers of this node"
TO_ALL = tuple(place + 1 for place in BROADCASTS)
UNSEALING_FURTHER = (
    # both have the key that opens for each other (IEEE 802.15.4-2015 clause 9.2.4, from memory): what fails for both is
    # what they share here, the file
    *(
        Further(
            "integrity-code-wrong",
            partial(by_turns, short=short),
            Told(
                "failure",
                senders,
                NONE_OPENS + what,
                codes(by_turns(short=short), 1, 3, 5, 7),
                tuple(range(1, 13)),
                12,
                advice=CHECK_FILE.format(devices=devices),
            ),
        )
        for short, senders, what, devices in (
            (False, "02:5e:10:00:00:00:00:01, " + SENDER, " does not fit this network", ""),
            (
                True,
                "0x0001, 0x0017",
                " or the EUI-64s that it has for short addresses do not fit this network",
                ", and each line of [devices]",
            ),
        )
    ),
    # beside one that the key opens, another network has keys of its own
    Further(
        "integrity-code-wrong",
        lambda: beside(range(12), short=True),
        Told(
            "remark",
            "0x0001 of PAN 0xabce, 0x0017 of PAN 0xabce",
            f"{NONE_OPENS} or the EUI-64s that it has for short addresses do not fit this network",
            codes(beside(range(12), short=True), 13, 15, 17, 19),
            tuple(range(13, 25)),
            12,
            advice=CHECK_FILE.format(devices=", and each line of [devices]"),
        ),
    ),
    # the node fails in its own network as well
    Further(
        "integrity-code-wrong",
        lambda: beside((0, 2, 4, 6, 8, 10)),
        Told(
            "failure",
            SENDER,
            FAILED,
            codes(beside((0, 2, 4, 6, 8, 10)), 2, 4, 6, 8),
            (2, 4, 6, 8, 10, 12, 13, 14, 15, 16, 17, 18),
            12,
        ),
    ),
    # the third of the root's is right: file and network have one key
    Further(
        "integrity-code-wrong",
        partial(by_turns, (4,)),
        Told(
            "failure",
            "02:5e:10:00:00:00:00:01, " + SENDER,
            FAILED,
            codes(by_turns((4,)), 1, 3, 7, 9),
            (1, 2, 3, 4, 6, 7, 8, 9, 10, 11, 12),
            11,
        ),
    ),
    # all broadcasts fail and nothing else: damage asks for no destination. 3 in a row at 1 in 29 are 1 in 24,000
    Further(
        "integrity-code-wrong",
        lambda: with_broadcasts(BROADCASTS),
        Told(
            "failure",
            SENDER,
            FAILED,
            (
                "all 3 frames to 0xffff fail, and none of 27 others",
                *codes(with_broadcasts(BROADCASTS), *TO_ALL),
            ),
            TO_ALL,
            3,
        ),
    ),
    # two of the three, and one that is none
    Further(
        "integrity-code-wrong",
        lambda: with_broadcasts((5, 9, 15)),
        Told(
            "remark",
            SENDER,
            DAMAGE,
            (f"{SENDER}: 3 of 30 frames under key id mode 1, index 1",),
            (6, 10, 16),
            3,
            advice=DAMAGED,
        ),
    ),
    # a destination that two have by the same bit: at 1 in 29 by chance one in some hundred
    Further(
        "integrity-code-wrong",
        partial(altered, 5, (6, 19)),
        Told(
            "remark",
            SENDER,
            DAMAGE,
            (f"{SENDER}: 2 of 30 frames under key id mode 1, index 1",),
            (7, 20),
            2,
            advice=DAMAGED,
        ),
    ),
    # a device with the same address counts its own frames
    Further(
        "integrity-code-wrong",
        lambda: with_another(5000, 90, (3, 12, 20)),
        Told(
            "failure",
            SENDER,
            FAILED,
            (
                "3 have frame counters far from those of the others, as a second device would",
                *codes(with_another(5000, 90, (3, 12, 20)), 5, 15, 24),
            ),
            (5, 15, 24),
            3,
        ),
    ),
    # a bit of the PAN ID: frame counter 17 and sequence number 12 are what the node sends next
    Further(
        "integrity-code-wrong",
        partial(altered, 3, (12,)),
        Told(
            "remark",
            SENDER,
            DAMAGE,
            (
                f"{SENDER}: 1 frame of {SENDER} of PAN 0xabcc, {NEXT}, 29 frames under key id mode 1, index 1",
            ),
            (13,),
            advice=DAMAGED,
        ),
    ),
    # a network beside it, of which one frame was heard: its numbers are its own
    *(
        Further(
            "integrity-code-wrong",
            partial(with_another, 7, sequence, (12,), 0xABCC),
            Told(
                "failure",
                SENDER,
                FAILED,
                codes(with_another(7, sequence, (12,), 0xABCC), 14),
                (14,),
            ),
        )
        for sequence in (90, 3)
    ),
    # who has another key, another address or another index has it for all of its frames; bits that are damaged on the
    # air hit some: the integrity code is over all octets (IEEE 802.15.4-2015 clause 9.3.4, from memory)
    Further(
        "integrity-code-wrong",
        partial(altered, _CIPHERTEXT_AT, (6, 19)),
        Told(
            "remark",
            SENDER,
            DAMAGE,
            (f"{SENDER}: 2 of 30 frames under key id mode 1, index 1",),
            (7, 20),
            2,
            advice=DAMAGED,
        ),
    ),
    # 4 of 30 are more than one in ten
    Further(
        "integrity-code-wrong",
        partial(altered, _CIPHERTEXT_AT, (3, 6, 19, 22)),
        Told(
            "risk",
            SENDER,
            DAMAGE,
            (f"{SENDER}: 4 of 30 frames under key id mode 1, index 1",),
            (4, 7, 20, 23),
            4,
            advice=DAMAGED,
        ),
    ),
    # the check sequence, behind all other octets, is right: that is no damage of the air
    Further(
        "integrity-code-wrong",
        partial(altered, -1, (5, 11, 20), fcs=2),
        Told(
            "failure",
            SENDER,
            "octets were altered after they were sealed, or somebody without the key made the frames: others of their "
            "sender are right, and so are the check sequences of these; 3 of 30 under key id mode 1, index 1",
            codes(altered(-1, (5, 11, 20), fcs=2), 6, 12, 21),
            (6, 12, 21),
            3,
            advice=ALTERED,
        ),
    ),
    # five in a row are another key, address or index; so are the last two
    *(
        Further(
            "integrity-code-wrong",
            partial(altered, -1, range(first, last), fcs=2),
            Told(
                "failure",
                SENDER,
                FAILED,
                codes(
                    altered(-1, range(first, last), fcs=2),
                    *range(first + 1, min(last, first + 4) + 1),
                ),
                tuple(range(first + 1, last + 1)),
                last - first,
            ),
        )
        for first, last in ((15, 20), (28, 30))
    ),
    # a bit of the PAN ID or of the index, with a right check sequence: whoever sent it meant it
    *(
        Further(
            "integrity-code-wrong",
            partial(altered, at, (12,), mask=mask, fcs=2),
            Told("failure", name, FAILED, (evidence,), (13,)),
        )
        for at, mask, name, evidence in (
            (3, 1, SENDER, codes(altered(3, (12,), fcs=2), 13)[0]),
            (
                INDEX_AT,
                32,
                SENDER,
                codes(altered(INDEX_AT, (12,), 32, fcs=2), 13)[0].replace("index 1", "index 33"),
            ),
        )
    ),
    # the receiver may have stumbled: another slot number would open them
    Further(
        "integrity-code-wrong",
        lambda: in_slots_altered((5, 11, 20)),
        Told("failure", SENDER, FAILED, OF_OTHER_SLOTS, (6, 12, 21), 3),
    ),
    # from frame 26 on all fail: the key changed; the code is what AES-CCM of the cryptography library gives
    Further(
        "integrity-code-wrong",
        partial(altered, _CIPHERTEXT_AT, range(25, 30)),
        Told("failure", SENDER, FAILED, tuple(_CODES[:4]), tuple(range(26, 31)), 5),
    ),
    Further(
        "integrity-code-wrong",
        partial(altered, _CIPHERTEXT_AT, range(28, 30)),
        Told("failure", SENDER, FAILED, tuple(_CODES[3:]), (29, 30), 2),
    ),
    # index 1 with its bit of 32 inverted; of a key for all indices the code is wrong then
    Further(
        "integrity-code-wrong",
        partial(altered, INDEX_AT, (12,), mask=32),
        Told(
            "remark",
            SENDER,
            DAMAGE,
            (f"{SENDER}: 1 frame under key id mode 1, index 33, 29 under key id mode 1, index 1",),
            (13,),
            advice=DAMAGED,
        ),
    ),
    Further(
        "key-missing",
        partial(altered, INDEX_AT, (12,), mask=32, key=ONLY_1),
        Told(
            "remark",
            SENDER,
            "octets were damaged: single frames name keys that no others do, between frames of their senders",
            (f"frame 13: key id mode 1, index 33; 29 frames of {SENDER}: key id mode 1, index 1",),
            (13,),
            advice=DAMAGED_NAME,
        ),
    ),
    # two frames under one index are no two bits that were damaged alike
    Further(
        "key-missing",
        partial(altered, INDEX_AT, (12, 17), mask=32, key=ONLY_1),
        Told(
            "remark",
            WANTED,
            WANTED,
            (),
            (13,),
            2,
        ),
    ),
)
