"""Sealed frames that fail, or name a key that is missing, in a capture that tells of no damage: link type 230."""

from collections.abc import Iterable
from functools import partial

from findings import air
from findings.air import Capture
from findings.cases_further import Further
from findings.judge import Told

from lowpanbudget import Key
from lowpanbudget.findings.captures.unsealing import DAMAGED, DAMAGED_NAME

SENDER = "02:5e:10:00:00:00:00:17"
_INDEX_AT = 26  # behind 21 octets of MAC header: security control, frame counter (4), key index
_CIPHERTEXT_AT = 30
_CODES = [
    f"key id mode 1, index 1, code {code}, frame counter {5 + place:#010x}"
    for place, code in enumerate(("d533b385", "1b947f42", "dbcea6ff", "8bb071f1", "3ad27deb"), 25)
]
DAMAGE = "octets were damaged, or somebody without the key made the frames: others of their sender are right"
WANTED = "no key for this frame: key id mode 1, index 33"
ONLY_1 = Key(air.KEY, key_id_mode=1, index=1)
FAILED = "frames fail under the key that they name"


def altered(at: int, places: Iterable[int], mask: int = 1, key: object = air.KEY) -> Capture:
    """30 frames, those at some places with bits inverted on their way."""
    frames = []
    for number in range(30):
        octets = bytearray(air.secured(b"data", number, 5 + number)[:-2])
        octets[at] ^= mask * (number in places)
        frames.append(bytes(octets))
    return Capture(list(frames), fcs=0, keys=(key,))


UNSEALING_FURTHER = (
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
        partial(altered, _INDEX_AT, (12,), mask=32),
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
        partial(altered, _INDEX_AT, (12,), mask=32, key=ONLY_1),
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
        partial(altered, _INDEX_AT, (12, 17), mask=32, key=ONLY_1),
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
