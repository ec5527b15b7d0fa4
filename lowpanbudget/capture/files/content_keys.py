"""The tables of a key file that open what applications seal: [[oscore]] and [[dtls]].

[[oscore]]                                    # either end's view opens both directions
master_secret = "000102030405060708090a0b0c0d0e0f"   # an invented secret
sender_id = "01"
recipient_id = "02"

[[dtls]]                                      # one direction of an association, in one epoch
suite = "TLS_PSK_WITH_AES_128_CCM_8"
key = "000102030405060708090a0b0c0d0e0f"
iv = "00010203"

Faults are told by place, never by content.
"""

from collections.abc import Mapping
from difflib import get_close_matches
from ipaddress import IPv6Address
from typing import Any, NamedTuple

from lowpanbudget.errors import RequestError
from lowpanbudget.hidden import HiddenOctets
from lowpanbudget.layers.internet.dtls.sender import DtlsSender
from lowpanbudget.layers.internet.dtls.suites import SUITES, RecordKeys
from lowpanbudget.layers.internet.oscore.context import ALGORITHMS, MANDATORY, SecurityContext

HEX, NUMBER, ADDRESS = "hex digits", "whole number", "IPv6 address"
_OCTETS = "octets"  # what the octets of a key stand under
_CALLED = frozenset({"key", "value", "secret", "hex", "bytes"})  # ... and what people write for it
_ALGORITHMS = ", ".join(f"{row.number} {row.name}" for row in ALGORITHMS.values())


class KeyRow(NamedTuple):
    """One key of a table: what it takes and means, whether it must be there, what stands in for it."""

    takes: str
    says: str
    needed: bool = False
    default: object = None


OSCORE_TABLE = {
    "master_secret": KeyRow(
        HEX, "The master secret of the security context (RFC 8613 section 3.1).", needed=True,
    ),
    "master_salt": KeyRow(HEX, "The master salt.", default=""),
    "sender_id": KeyRow(HEX, "The sender ID of one end, 0 to 7 octets; which end does not matter.", needed=True),
    "recipient_id": KeyRow(HEX, "Its recipient ID: the sender ID of the other end.", needed=True),
    "id_context": KeyRow(HEX, "The ID context; else the context has none."),
    "algorithm": KeyRow(NUMBER, f"The AEAD algorithm by its COSE number: {_ALGORITHMS}.", default=MANDATORY),
}  # fmt: skip
DTLS_TABLE = {
    "suite": KeyRow(
        "name of a suite", 'The cipher suite, which decides the version: explain "DTLS cipher suites".', needed=True,
    ),
    "key": KeyRow(
        HEX, "The write key of the end that sends (RFC 5246 section 6.3, RFC 8446 section 7.3).", needed=True,
    ),
    "iv": KeyRow(HEX, "Its write IV: in DTLS 1.2 with CCM or GCM 4 octets, else 12.", needed=True),
    "sn_key": KeyRow(HEX, "DTLS 1.3: its sequence number key (RFC 9147 section 4.2.3).", default=""),
    "source": KeyRow(ADDRESS, "The IPv6 address that it sends from; else any."),
    "port": KeyRow(NUMBER, "The UDP port that it sends from; else any."),
    "epoch": KeyRow(NUMBER, "The epoch that the keys belong to; else any."),
    "cid": KeyRow(HEX, "The connection ID that its records carry; else any of cid_length octets."),
    "cid_length": KeyRow(NUMBER, "How long that connection ID is, which no record tells; 0: none.", default=0),
    "next_sequence": KeyRow(
        NUMBER, "DTLS 1.3: the record number expected first, where a capture begins late.", default=0,
    ),
}  # fmt: skip


def oscore_context(where: str, entry: Mapping[str, Any]) -> SecurityContext:
    """Return the context that a table of the key file at ``where`` states; raises ``RequestError``."""
    values = _values(where, entry, OSCORE_TABLE)
    if values["algorithm"] not in ALGORITHMS:
        raise RequestError(f"{where}: algorithm is not known here", hint=f"Known: {_ALGORITHMS}")
    if not values["master_secret"]:
        raise RequestError(
            f"{where}: master_secret is empty", hint='Write master_secret = "hex digits"'
        )
    try:
        return SecurityContext.derive(values.pop("master_secret"), **values)
    except RequestError as error:
        raise RequestError(f"{where}: {error.message}", hint=error.hint, cite=error.cite) from None


def dtls_sender(where: str, entry: Mapping[str, Any]) -> DtlsSender:
    """Return the keys of one direction that a table of the key file at ``where`` states; raises ``RequestError``."""
    values = _values(where, entry, DTLS_TABLE)
    suite = SUITES.get(values.pop("suite"))
    if suite is None:
        raise RequestError(f"{where}: no suite has that name", hint=f"Known: {', '.join(SUITES)}")
    keys = RecordKeys(values.pop("key"), values.pop("iv"), values.pop("sn_key"))
    try:
        return DtlsSender(suite, keys, **values)
    except RequestError as error:
        raise RequestError(f"{where}: {error.message}", hint=error.hint, cite=error.cite) from None


_LONGEST_WORD = 24  # characters: of a key written to the end of a name no more is shown


def no_others(where: str, entry: Mapping[str, Any], table: Mapping[str, Any]) -> None:
    """Raise ``RequestError`` where an entry has a name that the table has not.

    It is shown where it is a word and nearly one of those, or what people call a key: any other may be one, or have one
    in it. Its place is told.
    """
    for place, name in enumerate(entry, 1):
        if name in table:
            continue
        usual = [_OCTETS] if name in _CALLED and _OCTETS in table else []
        near = get_close_matches(name, table, 1) or usual
        shown = {one: kind if isinstance(kind, str) else one for one, kind in table.items()}
        meant = f"Did you mean {shown[near[0]]}? " if near else ""
        is_word = bool(near) and name.replace("_", "").isalpha() and len(name) <= _LONGEST_WORD
        told = f", {''.join(name)}" if is_word else f", number {place} of those in it"
        raise RequestError(
            f"{where} has an unknown entry{told}",
            hint=f"{meant}Allowed are {', '.join(shown.values())}",
        )


def _values(where: str, entry: Mapping[str, Any], table: Mapping[str, KeyRow]) -> dict[str, Any]:
    """Return the values of a table by their keys, each of its kind."""
    no_others(where, entry, table)
    values = {}
    for name, row in table.items():
        value = entry.get(name, row.default)
        if value is None and row.needed:
            raise RequestError(
                f"{where} needs {name} = ..., {row.takes}", hint=f"{name}: {row.says}"
            )
        try:
            values[name] = None if value is None else _read(row.takes, value)
        except (TypeError, ValueError):
            # the value may be a key typed in the wrong place: it is not told
            raise RequestError(
                f"{where}: {name} is no {row.takes}",
                hint=f"Write {name} = {_WRITTEN.get(row.takes, 'a text in quotes')}",
            ) from None
    return values


_WRITTEN = {
    HEX: '"hex digits in quotes"',
    NUMBER: "a whole number",
    ADDRESS: '"an IPv6 address in quotes"',
}
LARGEST_NUMBER = (1 << 48) - 1


def _read(takes: str, value: Any) -> Any:
    """Return a value as its kind; raises ``ValueError`` or ``TypeError`` for another one."""
    if takes == NUMBER:
        if isinstance(value, bool) or not isinstance(value, int):
            raise TypeError
        if not 0 <= value <= LARGEST_NUMBER:
            raise ValueError
        return value
    if not isinstance(value, str):
        raise TypeError
    if takes == HEX:
        return HiddenOctets(bytes.fromhex(value))  # also where a key may stand in the wrong place
    return IPv6Address(value) if takes == ADDRESS else value
