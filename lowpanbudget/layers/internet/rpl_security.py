"""The security section of secure RPL control messages (RFC 6550 section 6.1).

|T|  Reserved   |   Algorithm   |KIM|Resvd| LVL |     Flags     |
|                            Counter                            |
.                        Key Identifier                         .
"""

from dataclasses import dataclass
from typing import NamedTuple

from lowpanbudget.cites import rfc
from lowpanbudget.errors import RequestError
from lowpanbudget.fields import Bits
from lowpanbudget.layers.internet.parts import Octets, Values
from lowpanbudget.layers.internet.records import Record


@dataclass(frozen=True, slots=True)
class Security:
    """The security section: which key by mode, source and index (identifiers, no keys), level, counter."""

    counter: int
    level: int = 0
    key_id_mode: int = 0
    key_source: bytes = b""
    key_index: bytes = b""
    is_time: bool = False
    algorithm: int = 0


class Level(NamedTuple):
    """What a level gives under a key mode: a name, encryption or not, octets of MAC or signature."""

    name: str
    encrypted: bool
    octets: int


# RFC 6550 figure 11, by signature (KIM 3) or not, then level; 4 to 7 are unassigned
_MACS = (
    Level("MAC-32", encrypted=False, octets=4),
    Level("ENC-MAC-32", encrypted=True, octets=4),
    Level("MAC-64", encrypted=False, octets=8),
    Level("ENC-MAC-64", encrypted=True, octets=8),
)
_SIGNATURES = (
    Level("Sign-3072", encrypted=False, octets=384),
    Level("ENC-Sign-3072", encrypted=True, octets=384),
    Level("Sign-2048", encrypted=False, octets=256),
    Level("ENC-Sign-2048", encrypted=True, octets=256),
)
LEVELS = (_MACS, _MACS, _MACS, _SIGNATURES)  # by key identifier mode
LEVEL_NAMES = tuple(
    f"{mac.name}, or with a signature key {_SIGNATURES[level].name}"
    for level, mac in enumerate(_MACS)
)
KEY_MODES = {
    0: "group key named by index",
    1: "key of the pair source and destination",
    2: "group key named by source and index",
    3: "the node's signature key, with a group key if encrypted",
}
# octets of key source and key index, RFC 6550 figure 10; mode 3 as mode 2 if encrypted, else none
_KEY_OCTETS = ((0, 1), (0, 0), (8, 1))


def _key_octets(values: Values) -> tuple[int, int]:
    mode, level = values["key_id_mode"], values["level"]
    if mode < 3:
        return _KEY_OCTETS[mode]
    return _KEY_OCTETS[2 if level < 4 and LEVELS[mode][level].encrypted else 1]


def _source_octets(values: Values, _left: int) -> int:
    return _key_octets(values)[0]


def _index_octets(values: Values, _left: int) -> int:
    return _key_octets(values)[1]


SECURITY = Record(
    "RPL security section",
    rfc(6550, "6.1"),
    Security,
    (
        Bits("is time", 1, {0: "T: the counter increments", 1: "T: the counter is a time"}),
        Bits("reserved 1", 7),
        Bits("algorithm", 8, {0: "CCM with AES-128, RSA with SHA-256"}),
        Bits("key id mode", 2, KEY_MODES),
        Bits("reserved 2", 3),
        Bits("level", 3, lambda value: "unassigned" if value > 3 else LEVEL_NAMES[value]),
        Bits("reserved 3", 8),
        Bits("counter", 32, "never the same twice under one key"),
    ),
    Octets("key source", "who named the key", _source_octets),
    Octets("key index", "which of its keys", _index_octets),
)


def protection(security: Security) -> Level:
    """Return what the level gives under the key mode; raises ``RequestError`` for an unassigned one."""
    if not 0 <= security.key_id_mode <= 3 or not 0 <= security.level <= 3 or security.algorithm:
        raise RequestError(
            f"algorithm {security.algorithm}, key mode {security.key_id_mode}, level {security.level} "
            "is unassigned",
            cite=SECURITY.cite,
        )
    return LEVELS[security.key_id_mode][security.level]
