"""The security section of secure RPL control messages (RFC 6550 section 6.1).

|T|  Reserved   |   Algorithm   |KIM|Resvd| LVL |     Flags     |
|                            Counter                            |
.                        Key Identifier                         .
"""

from typing import NamedTuple

from lowpanbudget.cites import rfc
from lowpanbudget.errors import RequestError
from lowpanbudget.fields import OctetString, Values, bits, layout_of, part, structure, unused


class RplLevel(NamedTuple):
    """What a level gives under a key mode: a name, encryption or not, octets of MAC or signature."""

    name: str
    encrypted: bool
    octets: int


# RFC 6550 figure 11, by signature (KIM 3) or not, then level; 4 to 7 are unassigned
_MACS = (
    RplLevel("MAC-32", encrypted=False, octets=4),
    RplLevel("ENC-MAC-32", encrypted=True, octets=4),
    RplLevel("MAC-64", encrypted=False, octets=8),
    RplLevel("ENC-MAC-64", encrypted=True, octets=8),
)
_SIGNATURES = (
    RplLevel("Sign-3072", encrypted=False, octets=384),
    RplLevel("ENC-Sign-3072", encrypted=True, octets=384),
    RplLevel("Sign-2048", encrypted=False, octets=256),
    RplLevel("ENC-Sign-2048", encrypted=True, octets=256),
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


@structure("RPL security section", rfc(6550, "6.1"))
class RplSecurity:
    """The security section: which key by mode, source and index (identifiers, no keys), level, counter."""

    is_time: bool = bits(
        1, {0: "T: the counter increments", 1: "T: the counter is a time"}, default=False
    )
    reserved_1: int = unused(7, default=0)
    algorithm: int = bits(8, {0: "CCM with AES-128, RSA with SHA-256"}, default=0)
    key_id_mode: int = bits(2, KEY_MODES, default=0)
    reserved_2: int = unused(3, default=0)
    level: int = bits(3, lambda value: "unassigned" if value > 3 else LEVEL_NAMES[value], default=0)
    reserved_3: int = unused(8, default=0)
    counter: int = bits(32, "never the same twice under one key")
    key_source: bytes = part(
        OctetString, "who named the key", count=lambda values: _key_octets(values)[0], default=b""
    )
    key_index: bytes = part(
        OctetString, "which of its keys", count=lambda values: _key_octets(values)[1], default=b""
    )


SECURITY = layout_of(RplSecurity)


def protection(security: RplSecurity) -> RplLevel:
    """Return what the level gives under the key mode; raises ``RequestError`` for an unassigned one."""
    if not 0 <= security.key_id_mode <= 3 or not 0 <= security.level <= 3 or security.algorithm:
        raise RequestError(
            f"algorithm {security.algorithm}, key mode {security.key_id_mode}, level {security.level} "
            "is unassigned",
            cite=SECURITY.cite,
        )
    return LEVELS[security.key_id_mode][security.level]
