"""The auxiliary security header: level, key identification, frame counter (IEEE 802.15.4-2015 clause 9.4).

    bit  0-2    3-4          5                  6             7         then in line
        level  key id mode  counter suppressed  ASN in nonce  reserved  frame counter, key identifier

Clause and table numbers are from memory; bits 5 and 6 exist since the 2015 edition. Frames of version 1 may set them
to nothing; where they do all the same, they are read by its rules.
"""

from functools import partial
from typing import NamedTuple

from lowpanbudget.arguments import flag, number_within
from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import ieee
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.fields import Bits, Choice, Header, Row, WordForm
from lowpanbudget.fields.compiled import Compiled
from lowpanbudget.fields.source import Function, FunctionSource
from lowpanbudget.values import brief, dataclass, field

CITE = ieee(2015, "9.4")
CITE_2006 = ieee(2006, "7.6.2.2")
LEVELS_CITE = ieee(2015, "table 9-6")
KEY_IDS_CITE = ieee(2015, "table 9-7")
COUNTER_CITE = ieee(2006, "7.5.8.2.1")
COUNTERS_END = (
    0xFFFF_FFFF  # no frame may carry it: who sends has COUNTER_ERROR (COUNTER_CITE, from memory)
)


class SecurityLevel(NamedTuple):
    """What a security level gives: a name, encryption or not, octets of MIC.

    Source: IEEE 802.15.4-2015 table 9-6, from memory.
    """

    name: str
    encrypted: bool
    mic: int

    def __str__(self) -> str:
        """Return the name with what it means."""
        if self.encrypted and not self.mic:
            return f"{self.name}: encrypted, no integrity check"
        if not self.mic:
            return f"{self.name}: no protection"
        seal = "encrypted, " if self.encrypted else "not encrypted, "
        return f"{self.name}: {seal}{self.mic * 8}-bit integrity code"

    def lacks_of(self, other: "SecurityLevel") -> bool:
        """Return whether it lacks something that the other gives: a longer integrity code, or encryption."""
        return self.mic < other.mic or self.encrypted < other.encrypted


LEVELS = (
    SecurityLevel("none", encrypted=False, mic=0),
    SecurityLevel("MIC-32", encrypted=False, mic=4),
    SecurityLevel("MIC-64", encrypted=False, mic=8),
    SecurityLevel("MIC-128", encrypted=False, mic=16),
    SecurityLevel("ENC", encrypted=True, mic=0),
    SecurityLevel("ENC-MIC-32", encrypted=True, mic=4),
    SecurityLevel("ENC-MIC-64", encrypted=True, mic=8),
    SecurityLevel("ENC-MIC-128", encrypted=True, mic=16),
)
LEVEL_TEXTS = tuple(map(str, LEVELS))
# the level under which nothing tells whether a key was right
UNPROVEN = next(n for n, level in enumerate(LEVELS) if level.encrypted and not level.mic)


def _fit_counter(value: int | None, _env: object, *, carried: bool) -> bytes | None:
    if carried:
        return None if value is None else value.to_bytes(4, "little")
    return b"" if value is None else None


def _restore_counter(octets: bytes, _env: object) -> int:
    return int.from_bytes(octets, "little")


def _fit_key_id(
    value: tuple[bytes | None, int | None], _env: object, *, source: int, index: int
) -> bytes | None:
    key_source, key_index = value
    if len(key_source or b"") != source or (key_index is not None) != bool(index):
        return None
    return (key_source or b"")[::-1] + (bytes([key_index]) if key_index is not None else b"")


def _restore_key_id(octets: bytes, _env: object) -> tuple[bytes | None, int | None]:
    if len(octets) > 1:
        return octets[-2::-1], octets[-1]
    return None, octets[0] if octets else None


COUNTER = Choice(
    "counter_suppressed",
    "frame counter suppression",
    1,
    (
        Row(
            0, 4, "the frame counter goes in line", CITE,
            partial(_fit_counter, carried=True), _restore_counter, free="little",
        ),
        Row(
            1, 0, "the absolute slot number of a slotted network stands for the counter", CITE,
            partial(_fit_counter, carried=False), lambda _octets, _env: None,
        ),
    ),
    "frame counter",
)  # fmt: skip
COUNTER_2006 = Choice(
    "counter_suppressed",
    "reserved 5",
    1,
    (
        Row(
            0, 4, "no meaning before version 2: the frame counter always goes in line", CITE_2006,
            partial(_fit_counter, carried=True), _restore_counter, free="little",
        ),
        Row(
            1, 0, "read as in version 2: no frame counter", CITE_2006,
            partial(_fit_counter, carried=False), lambda _octets, _env: None, family="version 2",
        ),
    ),
    "frame counter",
)  # fmt: skip

KEY_ID = Choice(
    "key_id_mode",
    "key id mode",
    2,
    tuple(
        Row(
            code, source + index, needs, KEY_IDS_CITE,
            partial(_fit_key_id, source=source, index=index), _restore_key_id,
            () if source or not index else (Bits("key index", 8, needs),),
        )
        for code, source, index, needs in (
            (0, 0, 0, "both sides know the key from the frame's addresses"),
            (1, 0, 1, "an index under the default key source names the key"),
            (2, 4, 1, "a 4-octet source, sent last octet first, and an index name the key"),
            (3, 8, 1, "an 8-octet source, sent last octet first, and an index name the key"),
        )
    ),
    "key identifier",
)  # fmt: skip

_LEVEL = Bits("level", 3, lambda value: str(LEVELS[value]), cite=LEVELS_CITE)
_ASN_IN_NONCE = Bits(
    "ASN in nonce", 1, {0: "the nonce holds the frame counter", 1: "the nonce holds the ASN"}
)
_ASN_2006 = Bits("reserved 6", 1, {0: "", 1: "read as in version 2: the nonce holds the ASN"})
CONTROL = Header(
    "security control", CITE, (_LEVEL, KEY_ID, COUNTER, _ASN_IN_NONCE, Bits("reserved", 1)), "little"
)  # fmt: skip
CONTROL_2006 = Header(
    "security control", CITE_2006, (_LEVEL, KEY_ID, COUNTER_2006, _ASN_2006, Bits("reserved 7", 1)), "little"
)  # fmt: skip
# of a header with its counter in line, or without, by key id mode
_OCTETS = tuple(
    tuple(CONTROL.octets + counter.inline + key_id.inline for key_id in KEY_ID.rows)
    for counter in COUNTER.rows
)


@dataclass(frozen=True, slots=True)
class Security:
    """The security fields of a frame (auxiliary security header).

    ``key_source`` (4 or 8 octets, most significant first) and ``key_index`` are None where the mode carries none;
    ``frame_counter`` is None when suppressed; ``mic`` is empty for levels 0 and 4, and before a frame is sealed.
    Sources: IEEE 802.15.4-2006 §7.6.2, IEEE 802.15.4-2015 §9.4, from memory.
    """

    level: int
    key_id_mode: int = 0
    frame_counter: int | None = 0
    key_source: bytes | None = None
    key_index: int | None = None
    asn_in_nonce: bool = False
    mic: bytes = field(default=b"", compare=False)
    __repr__ = brief

    @property
    def protection(self) -> SecurityLevel:
        """Return what the level gives."""
        return LEVELS[self.level]

    @property
    def octets(self) -> int:
        """Return how many octets the header has."""
        return _OCTETS[self.frame_counter is None][self.key_id_mode]

    @property
    def is_by_slot(self) -> bool:
        """Return whether the nonce is made of the absolute slot number instead of a counter."""
        return self.asn_in_nonce or self.frame_counter is None


def counter_to_send(counter: int) -> int:
    """Return a frame counter that a frame may be secured with; ``RequestError`` for the one that ends a key."""
    if counter == COUNTERS_END:
        raise RequestError(
            f"the frame counter is used up: {COUNTERS_END:#010x} ends a key, and secures no frame",
            hint="Agree on a new key; no counter is used twice under one",
            cite=COUNTER_CITE,
        )
    return counter


class _Edition(NamedTuple):
    """How an edition names the bits: its word, its choice of a counter, its bit of the nonce, and its functions."""

    control: Header
    counter: Choice
    asn_in_nonce: str
    compiled: Compiled


def decode(reader: Reader, version: int = 2) -> Security:
    """Return the auxiliary security header that comes next, with the MIC at the reader's end; raises ``Truncated``.

    The MIC is shorter than its level says when the frame is too short for both, and where its end is missing.
    ``version`` is the frame's, which decides how the bits are named.
    """
    edition = _edition(version)
    compiled: Security | None = None if reader.missing else edition.compiled.read(reader)
    if compiled is not None:
        return compiled
    values, rows = edition.control.read(reader)
    counter = edition.counter.read(reader, rows["counter_suppressed"])
    key_source, key_index = KEY_ID.read(reader, rows["key_id_mode"])
    level = values["level"]
    return Security(
        level,
        values["key_id_mode"],
        counter,
        key_source,
        key_index,
        bool(values[edition.asn_in_nonce]),
        reader.tail(LEVELS[level].mic),
    )


def take_up(source: FunctionSource, word: int, version: int = 2) -> str:
    """Take up a header with this security control, in a frame of this version, as ``decode`` reads it.

    Return its value, with the MIC at the end of the function's reader.
    """
    edition = _edition(version)
    values = edition.control.split(word)
    source.layer = edition.control.name
    source.word(edition.control, word)
    counting = edition.counter
    counter = source.row(counting, counting.rows[values["counter_suppressed"]])
    key_id = source.row(KEY_ID, KEY_ID.rows[values["key_id_mode"]])
    mic = LEVELS[values["level"]].mic
    last = source.last(mic) if mic else "b''"
    return source.value(
        Security, level=f"{values['level']}", key_id_mode=f"{values['key_id_mode']}", frame_counter=counter,
        key_source=f"{key_id}[0]", key_index=f"{key_id}[1]",
        asn_in_nonce=f"{bool(values[edition.asn_in_nonce])}", mic=last,
    )  # fmt: skip


def _compile(version: int, word: int, at: int) -> Function:
    """Return a function that reads a header with this security control as ``decode`` does."""
    source = FunctionSource("security", "", at)
    return source.function(take_up(source, word, version))


_FIRST = _Edition(
    CONTROL_2006, COUNTER_2006, _ASN_2006.name, Compiled(CONTROL_2006, partial(_compile, 1))
)
_LATER = _Edition(CONTROL, COUNTER, _ASN_IN_NONCE.name, Compiled(CONTROL, partial(_compile, 2)))


def _edition(version: int) -> _Edition:
    """Return how the edition of a frame's version names the bits; version 0 is that of multipurpose frames alone."""
    return _FIRST if version == 1 else _LATER


def _number(value: object, bits: int, name: str) -> int | None:
    number = None if value is None else number_within(value, bits)
    if number is None is not value:
        raise RequestError(
            f"{name} {repeated(value)} does not fit {bits} bits",
            cite=CITE,
            hint=f"Give 0 to {(1 << bits) - 1:#x}",
        )
    return number


def encode(writer: Writer, security: Security, version: int = 2) -> None:
    """Append the auxiliary security header of a frame of this version.

    Raises ``RequestError`` when key source and index do not match the key id mode.
    """
    if security.level not in range(8) or security.key_id_mode not in range(4):
        raise RequestError(
            f"security level {repeated(security.level)} and key id mode {repeated(security.key_id_mode)} "
            "are not from 0 to 7 and from 0 to 3",
            cite=LEVELS_CITE,
        )
    sent = _number(security.frame_counter, 32, "frame counter")
    index = _number(security.key_index, 8, "key index")
    edition = _edition(version)
    counter = edition.counter.best(sent)
    value = (security.key_source, index)
    fit = KEY_ID.rows[security.key_id_mode].fit
    if fit is None or fit(value, None) is None:
        raise RequestError(
            f"key id mode {security.key_id_mode} does not go with "
            f"a key source of {len(security.key_source or b'')} octets and "
            f"{'an' if security.key_index is not None else 'no'} index",
            cite=KEY_IDS_CITE,
            hint="Mode 0 has neither, 1 an index alone, 2 and 3 an index and a source of 4 or 8 octets",
        )
    key_id = KEY_ID.best(value)
    by_slot = flag(security.asn_in_nonce, "Security.asn_in_nonce")
    chosen = (edition.counter, counter, sent), (KEY_ID, key_id, value)
    values = {"level": security.level, edition.asn_in_nonce: int(by_slot)}
    WordForm(edition.control, chosen, values).write(writer)
