"""RPL control messages: DIS, DIO, DAO, DAO-ACK, consistency check, and their secure variants (RFC 6550 section 6).

|  Type = 155   |     Code      |          Checksum             |
.     Security, in messages with the high bit of the code set   .
.                        Base, Option(s)                        .

Nothing is encrypted, decrypted or verified here: a secure message shows its security section and, where it is not
encrypted, its base and options.
"""

from dataclasses import dataclass
from ipaddress import IPv6Address
from typing import Any

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import RequestError, Reserved
from lowpanbudget.fields import Bits
from lowpanbudget.layers.internet.parts import Address, within
from lowpanbudget.layers.internet.records import Kind, Options, Record
from lowpanbudget.layers.internet.rpl_options import OPTIONS
from lowpanbudget.layers.internet.rpl_security import SECURITY, Security, protection

TYPE = 155
SECURE = 0x80  # "The high order bit (0x80) of the code denotes whether the RPL message has security enabled"
ALL_NODES = IPv6Address("ff02::1a")  # RFC 6550 section 20.19
MODES = {
    0: "no downward routes",
    1: "non-storing",
    2: "storing, no multicast",
    3: "storing with multicast",
    7: "reserved for expansion",  # RFC 9008 section 4.1.2
}


@dataclass(frozen=True, slots=True)
class Dis:
    """A DODAG Information Solicitation."""

    options: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True)
class Dio:
    """A DODAG Information Object; ``mode`` is MOP, ``preference`` Prf."""

    rpl_instance_id: int
    version: int
    rank: int
    dodag_id: IPv6Address
    grounded: bool = False
    mode: int = 0
    preference: int = 0
    dtsn: int = 0
    options: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True)
class Dao:
    """A Destination Advertisement Object; ``acknowledge`` (K) asks for a DAO-ACK, ``dodag_id`` may be absent."""

    rpl_instance_id: int
    sequence: int
    dodag_id: IPv6Address | None = None
    acknowledge: bool = False
    options: tuple[Any, ...] = ()

    @property
    def has_dodag_id(self) -> bool:
        """Return the D flag."""
        return self.dodag_id is not None


@dataclass(frozen=True, slots=True)
class DaoAck:
    """An acknowledgement of a DAO; ``status`` 0 accepts, up to 127 suggests another parent, from there rejects."""

    rpl_instance_id: int
    sequence: int
    status: int = 0
    dodag_id: IPv6Address | None = None
    options: tuple[Any, ...] = ()

    @property
    def has_dodag_id(self) -> bool:
        """Return the D flag."""
        return self.dodag_id is not None


@dataclass(frozen=True, slots=True)
class ConsistencyCheck:
    """A check of security counters, or with ``response`` (R) the answer; only ever inside ``Secure``."""

    rpl_instance_id: int
    nonce: int
    dodag_id: IPv6Address
    destination_counter: int = 0
    response: bool = False
    options: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True)
class Secure:
    """A secure message: its ``code``, security section, and ``message`` if it is not encrypted, else None.

    ``seal`` is the MAC or signature at the end, or all that is encrypted, with it.
    """

    code: int
    security: Security
    message: Any
    seal: bytes


class _SecureRecord:
    """Security section, then what it covers: in the clear with a MAC or signature behind, or encrypted."""

    def read(self, reader: Reader, **given: Any) -> Secure:
        security = SECURITY.read(reader)
        if security.level > 3 or security.algorithm:
            raise Reserved(
                f"algorithm {security.algorithm}, level {security.level} is unassigned: "
                "what it covers cannot be told from its seal",
                offset=reader.pos,
                layer=SECURITY.name,
                cite=SECURITY.cite,
            )
        level, code = protection(security), given["code"]
        what = _seal_says(security)
        reader.need(level.octets, what, SECURITY.cite)
        message = None
        if not level.encrypted:
            with within(reader, reader.end - level.octets):
                message = BASES[code & ~SECURE].read(reader)
        reader.layer = SECURITY.name
        return Secure(code, security, message, reader.rest("seal", what, SECURITY.cite))

    def write(self, writer: Writer, value: Secure, **_given: int) -> None:
        level = protection(value.security)
        base = BASES[value.code & ~SECURE]  # the table of kinds let no other code come here
        if level.encrypted != (value.message is None):
            raise RequestError(
                f"{level.name} goes with " + ("no message" if level.encrypted else "a message"),
                cite=SECURITY.cite,
            )
        if len(value.seal) < level.octets or (
            not level.encrypted and len(value.seal) > level.octets
        ):
            raise RequestError(
                f"{level.name} has a seal of {level.octets} octets, not {len(value.seal)}",
                cite=SECURITY.cite,
            )
        SECURITY.write(writer, value.security)
        if not level.encrypted:
            if not isinstance(value.message, base.value):
                raise RequestError(f"{value.message!r} is no {base.name}", cite=base.cite)
            base.write(writer, value.message)
        writer.layer = SECURITY.name
        writer.octets(value.seal, "seal", _seal_says(value.security), SECURITY.cite)


def _seal_says(security: Security) -> str:
    level = protection(security)
    what = "MAC" if security.key_id_mode < 3 else "signature"
    return f"{level.name}: " + (f"encrypted, with its {what}" if level.encrypted else f"the {what}")


def _instance(value: int) -> str:
    return f"local instance {value & 0x3F}" if value & 0x80 else f"global instance {value}"


_INSTANCE = Bits("rpl instance id", 8, _instance, cite=rfc(6550, "5.1"))
_HAS_DODAG_ID = Bits("has dodag id", 1, "D: the DODAGID is present")
_OPTIONS = Options(OPTIONS)
BASES = {
    0x00: Record(
        "DODAG information solicitation", rfc(6550, "6.2.1"), Dis, (Bits("reserved", 16),), _OPTIONS
    ),
    0x01: Record(
        "DODAG information object", rfc(6550, "6.3.1"), Dio,
        (
            _INSTANCE, Bits("version", 8, "of the DODAG"), Bits("rank", 16, "of the sender"),
            Bits("grounded", 1, {0: "G: floating", 1: "G: grounded"}), Bits("reserved 1", 1),
            Bits("mode", 3, MODES), Bits("preference", 3, "7 is the most preferred"),
            Bits("dtsn", 8, "triggers destination advertisements"), Bits("reserved 2", 16),
        ),
        Address("dodag id", "address of the root"), _OPTIONS,
    ),
    0x02: Record(
        "destination advertisement object", rfc(6550, "6.4.1"), Dao,
        (
            _INSTANCE, Bits("acknowledge", 1, "K: asks for a DAO-ACK"), _HAS_DODAG_ID,
            Bits("reserved", 14), Bits("sequence", 8, "DAOSequence"),
        ),
        Address("dodag id", "address of the root", when="has dodag id"), _OPTIONS,
    ),
    0x03: Record(
        "destination advertisement object acknowledgement", rfc(6550, "6.5.1"), DaoAck,
        (
            _INSTANCE, _HAS_DODAG_ID, Bits("reserved", 7),
            Bits("sequence", 8, "DAOSequence of the DAO"),
            Bits(
                "status", 8,
                lambda value: ("find another parent" if value < 128 else "rejected")
                if value else "accepted",
            ),
        ),
        Address("dodag id", "address of the root", when="has dodag id"), _OPTIONS,
    ),
    0x0A: Record(
        "consistency check", rfc(6550, "6.6.1"), ConsistencyCheck,
        (
            _INSTANCE, Bits("response", 1, {0: "R: a request", 1: "R: a response"}),
            Bits("reserved", 7), Bits("nonce", 16, "the same in the response"),
        ),
        Address("dodag id", "address of the root"),
        (Bits("destination counter", 32, "the sender's estimate"),), _OPTIONS,
    ),
}  # fmt: skip
ONLY_SECURE = 0x0A  # "A CC message MUST be sent as a secured RPL message"


def _kinds() -> tuple[Kind, ...]:
    plain = tuple(
        Kind(TYPE, code, base.name, base.cite, base, base.value, {})
        for code, base in BASES.items()
        if code != ONLY_SECURE
    )
    sealed = tuple(
        Kind(
            TYPE,
            SECURE | code,
            base.name if code == ONLY_SECURE else f"secure {base.name}",
            base.cite,
            _SecureRecord(),
            Secure,
            {},
        )
        for code, base in BASES.items()
    )
    return plain + sealed


MESSAGES = _kinds()
