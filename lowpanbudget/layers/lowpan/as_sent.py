"""Compressed headers written in the form that they were read in: RFC 6282 has several for one datagram.

What was read comes back octet for octet, bits that stand for nothing included. What is changed of it goes into the rows
that were read, where they can carry it; ``shortest`` chooses among them all.
"""

from collections.abc import Iterator
from typing import Any

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.fields import CONTEXT, LINK, Choice, Chosen, Header, Row, WordForm
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.lowpan import (
    addresses,
    extension_nhc,
    forms,
    ghc_headers,
    iphc,
    legacy,
    lorh,
    nhc,
)
from lowpanbudget.layers.lowpan.addresses import Side
from lowpanbudget.layers.lowpan.extension_nhc import ExtensionNhc
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.layers.lowpan.lorh import Rpi
from lowpanbudget.layers.lowpan.nhc import UdpNhc

_SHORTEST = "compress finds a form for any datagram"
_NOTHING = Side(
    None, None
)  # to lean on: an address that leans on something comes back as it was read alone


def encode_iphc(writer: Writer, header: Iphc) -> None:
    """Append an IPHC header in the form of its rows.

    Raises ``RequestError`` for a value that its row cannot carry, and for another address than was read where the row
    leans on a context or a link address.
    """
    rows = header.rows
    read = dict(_pieces(header))
    chosen = []
    for choice, value in _values(header):
        row = rows[choice.name]
        was, octets = read.get(choice.name, (None, b""))
        if was != value:
            octets = _carried(choice, row, value)
        chosen.append((choice, Chosen(row, octets), value))
    WordForm(iphc.HEADER, tuple(chosen)).write(writer)


def _values(header: Iphc, of: Any = None) -> Iterator[tuple[Choice, Any]]:
    """Yield each choice of an IPHC header and its value, those of ``of`` where that is another IPv6 header."""
    one = of or header.header
    yield forms.CID, tuple(number or 0 for number in header.contexts)
    yield forms.TF, (one.traffic_class, one.flow_label)
    yield forms.NH, None if header.nhc else one.next_header
    yield forms.HLIM, one.hop_limit
    yield addresses.SOURCE, one.source
    yield addresses.DESTINATION, one.destination


def _pieces(header: Iphc) -> Iterator[tuple[str, tuple[Any, bytes]]]:
    """Yield of each choice the value that was read, and its octets in line; nothing of other rows than were read."""
    if header.sent is None:
        return
    reader = Reader(header.sent.octets)
    _, rows = iphc.HEADER.read(reader)
    if rows != header.rows:
        return
    for choice, value in _values(header, header.sent.read):
        octets = reader.raw(rows[choice.name].inline, "", None)
        yield choice.name, (value, octets)


def _carried(choice: Choice, row: Row, value: Any) -> bytes:
    """Return what a row carries for a value; raises ``RequestError``."""
    octets = None if row.fit is None else row.fit(value, _NOTHING)
    if octets is not None:
        return octets
    leans = [
        what
        for what, source in (("a context", CONTEXT), ("a link address", LINK))
        if row.takes(source)
    ]
    if leans:
        said = (
            f"this {choice.carries} leans on {' and '.join(leans)}: "
            "no other than was read can be written in its form"
        )
    else:
        said = f"{choice.label} {row.code:0{choice.width}b} cannot carry {repeated(value)}: {row.needs}"
    raise RequestError(said, cite=row.cite, hint=_SHORTEST)


def encode_udp(writer: Writer, header: UdpNhc) -> None:
    """Append a UDP header in the form of its rows; raises ``RequestError`` for a value that its row cannot carry."""
    word: Header = ghc_headers.UDP if header.generic else nhc.UDP
    chosen = []
    for choice, value in (
        (nhc.PORTS, (header.source_port, header.destination_port)),
        (nhc.CHECKSUM, header.checksum),
    ):
        row = header.rows[choice.name]
        chosen.append((choice, Chosen(row, _carried(choice, row, value)), value))
    WordForm(word, tuple(chosen)).write(writer)


def encode_extension(writer: Writer, header: ExtensionNhc) -> None:
    """Append an extension header as it was read; one that was changed, or made, in its shortest form.

    Raises ``RequestError`` for what comes back otherwise, and for byte code of another header than was read.
    """
    if header.sent is not None and header == header.sent.read:
        _as_sent(writer, header.sent.octets, "NHC extension", extension_nhc.EXTENSION_FORMAT)
        return
    name = ipv6.next_header_name(header.kind)
    if header.generic:
        raise RequestError(
            "byte code for an extension header leans on addresses of the datagram: no other than was read can be "
            "written alone",
            cite=ghc_headers.EXTENSIONS,
            hint="compress with ghc finds it",
        )
    if header.kind not in extension_nhc.EID_OF:
        raise RequestError(
            f"{name} has no LOWPAN_NHC", cite=extension_nhc.EXTENSION_FORMAT, hint=_SHORTEST
        )
    made = Writer()
    if header.kind == ipv6.IPV6 or extension_nhc.fits_extension(header.kind, header.octets):
        nhc_follows = header.next_header is None and header.kind != ipv6.IPV6
        extension_nhc.encode_extension(made, header.kind, header.octets, nhc=nhc_follows)
    if not made.data or extension_nhc.decode_extension(Reader(bytes(made.data))) != header:
        raise RequestError(
            f"the octets of this {name} have no compressed form that gives them back",
            cite=extension_nhc.EXTENSION_FORMAT,
            hint=f"Give whole octets with length and pad, the first of them next_header. {_SHORTEST}",
        )
    writer.append(made)


def encode_rpi(writer: Writer, header: Rpi) -> None:
    """Append an RPI-6LoRH as it was read; one that was changed, or made, in its shortest form."""
    if header.sent is not None and header == header.sent.read:
        _as_sent(writer, header.sent.octets, lorh.RPI.name, lorh.RPL_INFORMATION)
    else:
        lorh.encode(writer, header)


def encode_legacy(writer: Writer, header: Legacy) -> None:
    """Append an HC1 header as it was read, its HC_UDP with it; raises ``RequestError`` for any other."""
    if header.sent is None or header != header.sent.read:
        said = "HC1 is written as it was read alone: RFC 6282 replaced it, and senders have no use for it"
        raise RequestError(said, cite=legacy.CITE, hint=_SHORTEST)
    _as_sent(writer, header.sent.octets, "HC1", legacy.CITE)


def _as_sent(writer: Writer, octets: bytes, name: str, cite: Cite) -> None:
    writer.layer = name
    writer.octets(octets, "header", "as it was read", cite)
