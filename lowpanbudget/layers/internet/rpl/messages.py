"""RPL control messages: DIS, DIO, DAO, DAO-ACK, consistency check, and their secure variants (RFC 6550 section 6).

|  Type = 155   |     Code      |          Checksum             |
.     Security, in messages with the high bit of the code set   .
.                        Base, Option(s)                        .

Nothing is encrypted, decrypted or verified here: a secure message shows its security section and, where it is not
encrypted, its base and options.
"""

from ipaddress import IPv6Address
from typing import Any

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import RequestError, Reserved
from lowpanbudget.fields import (
    Address,
    Layout,
    OptionList,
    bits,
    layout_of,
    part,
    structure,
    unused,
    within,
)
from lowpanbudget.layers.internet.icmpv6_types import RPL, MessageType
from lowpanbudget.layers.internet.nd.lowpan_options import STATUS
from lowpanbudget.layers.internet.rpl.options import OPTIONS, AnyOption
from lowpanbudget.layers.internet.rpl.security import SECURITY, RplSecurity, protection
from lowpanbudget.values import dataclass

TYPE = RPL
SECURE = 0x80  # "The high order bit (0x80) of the code denotes whether the RPL message has security enabled"
ALL_NODES = IPv6Address("ff02::1a")  # all-RPL-nodes (RFC 6550 section 6)
INFINITE_RANK = 0xFFFF  # of a node that is no parent any more, or of a leaf (RFC 6550 section 17)
LOCAL = 0x80  # the bit of a local instance (RFC 6550 section 5.1)
NON_STORING, STORING = 1, 2  # the latter without multicast (RFC 6550 section 6.3.1)
MODES = {
    0: "no downward routes",
    NON_STORING: "non-storing",
    STORING: "storing, no multicast",
    3: "storing with multicast",
    7: "reserved for expansion",  # RFC 9008 section 4.1.2
}


ROOT = "address of the root"
INSTANCE_CITE = rfc(6550, "5.1")


def _instance(value: int) -> str:
    return f"local instance {value & 0x3F}" if value & LOCAL else f"global instance {value}"


REJECTION = 128  # "128-255: Rejection" (section 6.5.1)


def status_text(value: int) -> str:
    """Return what a status says; with the flag A it holds one of neighbour discovery (RFC 9010 section 6.3)."""
    said = ("find another parent" if value < REJECTION else "rejected") if value else "accepted"
    registration = STATUS.get(value & 0x3F) if value & 0x40 else None
    return said if registration is None else f"{said}: {registration}"


@structure("DODAG information solicitation", rfc(6550, "6.2.1"))
class Dis:
    """A DODAG Information Solicitation (DIS): its options."""

    reserved: int = unused(16, default=0)
    options: tuple[AnyOption, ...] = part(OptionList, OPTIONS, default=())


@structure("DODAG information object", rfc(6550, "6.3.1"))
class Dio:
    """A DODAG Information Object; ``mode`` is MOP, ``preference`` Prf."""

    rpl_instance_id: int = bits(8, _instance, cite=INSTANCE_CITE)
    version: int = bits(8, "of the DODAG")
    rank: int = bits(16, "of the sender")
    grounded: bool = bits(1, {0: "G: floating", 1: "G: grounded"}, default=False)
    reserved_1: bool = unused(1, default=False)
    mode: int = bits(3, MODES, default=0)
    preference: int = bits(3, "7 is the most preferred", default=0)
    dtsn: int = bits(8, "triggers destination advertisements", default=0)
    reserved_2: int = unused(16, default=0)
    dodag_id: IPv6Address = part(Address, ROOT)
    options: tuple[AnyOption, ...] = part(OptionList, OPTIONS, default=())


@structure("destination advertisement object", rfc(6550, "6.4.1"))
class Dao:
    """A Destination Advertisement Object; ``acknowledge`` (K) asks for a DAO-ACK, ``dodag_id`` may be absent."""

    rpl_instance_id: int = bits(8, _instance, cite=INSTANCE_CITE)
    acknowledge: bool = bits(1, "K: asks for a DAO-ACK", default=False)
    has_dodag_id = bits(1, "D: the DODAGID is present")
    reserved: int = unused(14, default=0)
    sequence: int = bits(8, "DAOSequence")
    dodag_id: IPv6Address | None = part(Address, ROOT, when="has_dodag_id", default=None)
    options: tuple[AnyOption, ...] = part(OptionList, OPTIONS, default=())


@structure("destination advertisement object acknowledgement", rfc(6550, "6.5.1"))
class DaoAck:
    """An acknowledgement of a DAO; ``status`` 0 accepts, up to 127 suggests another parent, from there rejects."""

    rpl_instance_id: int = bits(8, _instance, cite=INSTANCE_CITE)
    has_dodag_id = bits(1, "D: the DODAGID is present")
    reserved: int = unused(7, default=0)
    sequence: int = bits(8, "DAOSequence of the DAO")
    status: int = bits(8, status_text, default=0)
    dodag_id: IPv6Address | None = part(Address, ROOT, when="has_dodag_id", default=None)
    options: tuple[AnyOption, ...] = part(OptionList, OPTIONS, default=())


@structure("consistency check", rfc(6550, "6.6.1"))
class ConsistencyCheck:
    """A check of security counters, or with ``response`` (R) the answer; only ever inside ``Secure``."""

    rpl_instance_id: int = bits(8, _instance, cite=INSTANCE_CITE)
    response: bool = bits(1, {0: "R: a request", 1: "R: a response"}, default=False)
    reserved: int = unused(7, default=0)
    nonce: int = bits(16, "the same in the response")
    dodag_id: IPv6Address = part(Address, ROOT)
    destination_counter: int = bits(32, "the sender's estimate", default=0)
    options: tuple[AnyOption, ...] = part(OptionList, OPTIONS, default=())


BASES: dict[int, Layout[Any]] = {
    code: layout_of(value)
    for code, value in {
        0x00: Dis,
        0x01: Dio,
        0x02: Dao,
        0x03: DaoAck,
        0x0A: ConsistencyCheck,
    }.items()
}
ONLY_SECURE = 0x0A  # "A CC message MUST be sent as a secured RPL message"


@dataclass(frozen=True, slots=True)
class Secure:
    """A secure message: its ``code``, ``security`` section, and ``message`` if it is not encrypted, else None.

    ``seal`` is the MAC or signature at the end, or all that is encrypted, with it (RFC 6550 section 6.1).
    """

    code: int
    security: RplSecurity
    message: Dis | Dio | Dao | DaoAck | ConsistencyCheck | None
    seal: bytes


class _SecureBody:
    """Security section, then what it covers: in the clear with a MAC or signature behind, or encrypted."""

    value: type[Any] = Secure

    def __init__(self, name: str, cite: Cite) -> None:
        self.name = name
        self.cite = cite

    def read(self, reader: Reader, **around: Any) -> Secure:
        security = SECURITY.read(reader)
        if security.level > 3 or security.algorithm:
            raise reader.fault(
                Reserved,
                f"algorithm {security.algorithm}, level {security.level} is unassigned: "
                "what it covers cannot be told from its seal",
                SECURITY.cite,
            )
        level, code = protection(security), around["code"]
        what = _seal_says(security)
        reader.need(level.octets, what, SECURITY.cite)
        message = None
        if not level.encrypted:
            with within(reader, reader.end - level.octets):
                message = BASES[code & ~SECURE].read(reader)
        reader.layer = SECURITY.name
        return Secure(code, security, message, reader.rest("seal", what, SECURITY.cite))

    def write(self, writer: Writer, value: Secure, **_around: int) -> None:
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


def _seal_says(security: RplSecurity) -> str:
    level = protection(security)
    what = "MAC" if security.key_id_mode < 3 else "signature"
    return f"{level.name}: " + (f"encrypted, with its {what}" if level.encrypted else f"the {what}")


# codes that are not read, and what they are (RFC 9009 sections 4.3 and 4.4, from memory)
UNREAD = {7: "destination cleanup object", 8: "destination cleanup object acknowledgement"}
UNREAD |= {SECURE | code: f"secure {name}" for code, name in UNREAD.items()}

AnyMessage = Dis | Dio | Dao | DaoAck | Secure
MESSAGES = (
    *(MessageType(TYPE, base, {}, code) for code, base in BASES.items() if code != ONLY_SECURE),
    *(
        MessageType(
            TYPE,
            _SecureBody(base.name if code == ONLY_SECURE else f"secure {base.name}", base.cite),
            {},
            SECURE | code,
        )
        for code, base in BASES.items()
    ),
)
