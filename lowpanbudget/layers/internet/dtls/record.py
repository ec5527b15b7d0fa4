"""DTLS records: the header of DTLS 1.2 and of plaintext 1.3, with connection ID too, and the unified header of 1.3.

    RFC 6347 4.1, RFC 9146 4     type 1 | version 2 | epoch 2 | sequence number 6 | CID if type 25 | length 2 | fragment
    RFC 9147 4                   001CSLEE | CID if C | sequence number 1, or 2 if S | length 2 if L | fragment

How long a connection ID is, only the two ends know: it has no length field. What protects a record is in
``seal``, what a record carries in ``content``. Heartbeats and acknowledgements are kept as octets.
"""

from lowpanbudget.arguments import as_declared, explains, flag, whole_number
from lowpanbudget.bits import Nature, Reader, Writer, as_octets
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import Malformed, RequestError, Reserved, WireError, repeated
from lowpanbudget.fields import Bits, Header, WholeValue, stated_by
from lowpanbudget.layers.internet.dtls.content import (
    CONTENT_NAMES,
    LAYER,
    ContentType,
    decode_content,
)
from lowpanbudget.layers.internet.dtls.suites import DtlsSuite
from lowpanbudget.values import dataclass

CITE = rfc(6347, "4.1")
CID_CITE = rfc(9146, "4")
UNIFIED_CITE = rfc(9147, "4")
DEMULTIPLEX = rfc(9147, "4.1")
DTLS_1_0, DTLS_1_2 = 0xFEFF, 0xFEFD
_VERSIONS = {DTLS_1_0: "DTLS 1.0", DTLS_1_2: "DTLS 1.2"}
LONGEST_PLAIN = 1 << 14
LONGEST_SEALED = LONGEST_PLAIN + 2048  # RFC 5246 section 6.2.3, from memory
LONGEST_CID = 255
LAST_SEQUENCE = (1 << 48) - 1
# "This procedure requires the ciphertext length to be at least 16 bytes" (RFC 9147 section 4.2.3)
SHORTEST_UNIFIED = 16
SHORTEST_CITE = rfc(9147, "4.2.3")

RECORD = Header(
    LAYER,
    CITE,
    (
        Bits("content type", 8, lambda value: CONTENT_NAMES.get(value, "unknown content type")),
        Bits("version", 16, lambda value: _VERSIONS.get(value, "another version")),
        Bits("epoch", 16, lambda value: "protected" if value else "in the clear"),
        Bits("sequence number", 48, "counts records of the epoch"),
    ),
)
LENGTH = Header(LAYER, CITE, (Bits("length", 16, "octets of the fragment"),))
UNIFIED = Header(
    LAYER,
    UNIFIED_CITE,
    (
        Bits("fixed bits", 3, "unified header", fixed=0b001),
        Bits("connection ID present (C)", 1, {0: "no connection ID", 1: "a connection ID"}),
        Bits("sequence number length (S)", 1, {0: "1 octet", 1: "2 octets"}),
        Bits("length present (L)", 1, {0: "the record ends the datagram", 1: "a length field"}),
        Bits("epoch (E)", 2, "two low bits of the epoch"),
    ),
)
_PROTECTED = ("protected fragment", "nonce if explicit, ciphertext, tag")
EXPLICIT_NONCE = (
    "explicit nonce",
    "the part of the nonce that is sent",
    rfc(6655, "3"),
    "a suite whose nonce comes from the sequence number: ChaCha20-Poly1305, or any of DTLS 1.3",
)
_SEQUENCE = ("its low bits, encrypted", SHORTEST_CITE)
_CidField = tuple[str, str, Cite, str]
_CID: _CidField = (
    "connection ID", "finds the association", CID_CITE, "a shorter connection ID, or none",
)  # fmt: skip
_CID_UNIFIED: _CidField = (*_CID[:2], UNIFIED_CITE, _CID[3])


@stated_by(RECORD)
@dataclass(frozen=True, slots=True)
class DtlsRecord(WholeValue):
    """A record with the header of DTLS 1.2, or of plaintext 1.3 (RFC 6347 section 4.1).

    ``content_type`` is 20 for a change of cipher spec, 21 for an alert, 22 for a handshake, 23 for application data, 24
    for a heartbeat, 25 with a connection ID ``cid``, 26 for an acknowledgement (RFC 9147 figure 5); ``fragment`` is as
    on the wire, ``sealed`` tells whether it is protected. ``version`` is 0xfefd for DTLS 1.2.
    """

    content_type: int
    epoch: int
    sequence: int
    fragment: bytes
    version: int = DTLS_1_2
    cid: bytes = b""

    @property
    def sealed(self) -> bool:
        """Return whether the fragment is protected."""
        return self.epoch > 0 or self.content_type == ContentType.CID


@stated_by(UNIFIED)
@dataclass(frozen=True, slots=True)
class Unified(WholeValue):
    """A record with the unified header of DTLS 1.3; ``sequence`` as on the wire, still encrypted.

    ``epoch`` is its two low bits. Without length field a record runs to the end of its datagram.
    """

    epoch: int
    sequence: int
    fragment: bytes
    cid: bytes = b""
    sequence_octets: int = 1
    has_length: bool = False


def decode(
    reader: Reader, *, cid_length: int | None = None, suite: DtlsSuite | None = None
) -> DtlsRecord | Unified:
    """Return the record that comes next.

    ``cid_length`` is what the ends agreed on; a ``suite`` tells explicit nonce and tag apart in a protected fragment.
    Raises ``Truncated``, ``Reserved`` (first octets that RFC 9147 figure 5 rejects) or ``Malformed``.
    """
    reader.layer = LAYER
    first = reader.peek("a DTLS record", CITE)
    if first in CONTENT_NAMES:
        return _decode_record(reader, cid_length, suite)
    if UNIFIED.starts(reader.data, reader.pos):
        return _decode_unified(reader, cid_length, suite)
    raise reader.fault(Reserved, f"first octet {first} is no DTLS record", DEMULTIPLEX)


def read_dtls(octets: bytes, *, cid_length: int | None = None) -> tuple[DtlsRecord | Unified, ...]:
    """Return all records in the octets of a UDP payload, of DTLS 1.2 and 1.3, with fragments as they are on the wire.

    Sources: RFC 6347 section 4.1, RFC 9146 section 4, RFC 9147 section 4.

    ``cid_length`` is how long connection IDs are, which only their two ends know. Raises ``Truncated``, ``Reserved``,
    ``Malformed`` or another ``WireError`` with the offset of what is wrong, ``RequestError`` for what are no octets.
    """
    if cid_length is not None:
        cid_length = whole_number(cid_length, "cid_length", most=LONGEST_CID, cite=CID_CITE)
    return decode_datagram(Reader(as_octets(octets)), cid_length=cid_length)


@explains
def write_dtls(record: DtlsRecord | Unified) -> bytes:
    """Return the octets of a record as it is, protected or not (RFC 6347 section 4.1, RFC 9147 section 4).

    Raises ``RequestError`` for what is no record, or what its header cannot say.
    """
    if not isinstance(record, DtlsRecord | Unified):
        raise RequestError(f"a DTLS record is needed, not {type(record).__name__}", cite=CITE)
    writer = Writer()
    encode(writer, as_declared(record))
    return bytes(writer.data)


def decode_datagram(
    reader: Reader, *, cid_length: int | None = None, suite: DtlsSuite | None = None
) -> tuple[DtlsRecord | Unified, ...]:
    """Return all records of a datagram; raises as ``decode``. Each takes 13 or 18 octets at least."""
    records = []
    while reader.left:
        records.append(decode(reader, cid_length=cid_length, suite=suite))
    return tuple(records)


def _decode_record(reader: Reader, cid_length: int | None, suite: DtlsSuite | None) -> DtlsRecord:
    start = reader.pos
    values, _ = RECORD.read(reader)
    kind, version = values["content type"], values["version"]
    if version >> 8 != DTLS_1_2 >> 8:
        raise reader.fault(Malformed, f"version {version:#06x} is none of DTLS", CITE, at=start + 1)
    cid = _read_cid(reader, cid_length, _CID) if kind == ContentType.CID else b""
    length = LENGTH.read(reader)[0]["length"]
    record = DtlsRecord(kind, values["epoch"], values["sequence number"], b"", version, cid)
    limit = LONGEST_SEALED if record.sealed else LONGEST_PLAIN
    _limit(reader, length, limit, CITE)
    fragment = reader.ahead(length)
    reader.need(length, "the record's fragment", CITE)
    if record.sealed:
        _read_sealed(reader, length, suite if suite and suite.version == "1.2" else None, CITE)
    else:
        _read_plain(reader, kind, length)
    return DtlsRecord(kind, record.epoch, record.sequence, fragment, version, cid)


def _decode_unified(reader: Reader, cid_length: int | None, suite: DtlsSuite | None) -> Unified:
    values, _ = UNIFIED.read(reader)
    has_cid = values["connection ID present (C)"]
    cid = _read_cid(reader, cid_length, _CID_UNIFIED) if has_cid else b""
    octets = 1 + values["sequence number length (S)"]
    sequence = reader.number(octets, "sequence number", *_SEQUENCE, _one_octet(octets))
    has_length = bool(values["length present (L)"])
    length = LENGTH.read(reader)[0]["length"] if has_length else reader.left
    _limit(reader, length, LONGEST_SEALED, UNIFIED_CITE)
    if length < SHORTEST_UNIFIED:
        raise reader.fault(
            Malformed,
            f"{length} octets of ciphertext where {SHORTEST_UNIFIED} are the least",
            SHORTEST_CITE,
        )
    fragment = reader.ahead(length)
    reader.need(length, "the record's fragment", UNIFIED_CITE)
    _read_sealed(reader, length, suite if suite and suite.version == "1.3" else None, UNIFIED_CITE)
    return Unified(values["epoch (E)"], sequence, fragment, cid, octets, has_length)


def _read_cid(reader: Reader, cid_length: int | None, field: _CidField) -> bytes:
    if not cid_length:
        raise reader.fault(
            WireError,
            "the record has a connection ID whose length only its two ends know",
            CID_CITE,
            hint="Give the length that they agreed on (cid_length)",
        )
    return reader.octets(cid_length, *field)


def _one_octet(octets: int) -> str:
    return "1 octet with a short sequence number (S = 0)" if octets == 2 else ""


def _limit(reader: Reader, length: int, limit: int, cite: Cite) -> None:
    if length > limit:
        raise reader.fault(Malformed, f"a fragment of {length} octets is over {limit}", cite)


def _read_plain(reader: Reader, kind: int, length: int) -> None:
    """Leave the spans of a fragment in the clear."""
    inside = Reader(reader.data, reader.pos, reader.pos + length, LAYER)
    decode_content(inside, kind)
    reader.spans += inside.spans
    reader.pos = inside.pos


def _read_sealed(reader: Reader, length: int, suite: DtlsSuite | None, cite: Cite) -> None:
    if suite is None:
        reader.octets(length, *_PROTECTED, cite, nature=Nature.SEALED)
        return
    inside = length - suite.explicit - suite.aead.tag
    if inside < 0:
        raise reader.fault(Malformed, f"{length} octets are too few for {suite.name}", suite.cite)
    reader.octets(suite.explicit, *EXPLICIT_NONCE)
    reader.octets(inside, "ciphertext", "content, encrypted", cite, nature=Nature.SEALED)
    reader.octets(suite.aead.tag, "tag", "integrity of the record", suite.cite)


def encode(writer: Writer, record: DtlsRecord | Unified) -> None:
    """Append a record as it is; a fragment in the clear gets the spans of its content.

    Raises ``RequestError`` for what its header cannot say.
    """
    write_header(writer, record, len(record.fragment))
    at = writer.pos * 8
    if isinstance(record, DtlsRecord) and not record.sealed:
        inside = Reader(record.fragment, layer=LAYER)
        try:
            decode_content(inside, record.content_type)
        except WireError as error:
            raise RequestError(f"the fragment: {error.message}", cite=error.cite) from None
        writer.spans += [span._replace(offset_bits=span.offset_bits + at) for span in inside.spans]
        writer.data += record.fragment
        return
    cite = CITE if isinstance(record, DtlsRecord) else UNIFIED_CITE
    writer.octets(record.fragment, *_PROTECTED, cite, nature=Nature.SEALED)


@explains
def write_header(writer: Writer, record: DtlsRecord | Unified, length: int) -> None:
    """Append the header of a record whose fragment has ``length`` octets."""
    if len(record.cid) > LONGEST_CID:
        raise RequestError(
            f"a connection ID of {len(record.cid)} octets is over 255", cite=CID_CITE
        )
    limit = (
        LONGEST_PLAIN if isinstance(record, DtlsRecord) and not record.sealed else LONGEST_SEALED
    )
    if length > limit:
        raise RequestError(f"a fragment of {length} octets is over {limit}", cite=CITE)
    if isinstance(record, Unified):
        _write_unified(writer, record, length)
        return
    if record.content_type not in CONTENT_NAMES:
        raise RequestError(
            f"content type {repeated(record.content_type)} is not 20 to 26", cite=DEMULTIPLEX
        )
    if bool(record.cid) != (record.content_type == ContentType.CID):
        raise RequestError(
            "a record has content type 25 exactly when it has a connection ID", cite=CID_CITE
        )
    RECORD.write(
        writer,
        {
            "content type": record.content_type,
            "version": record.version,
            "epoch": record.epoch,
            "sequence number": record.sequence,
        },
    )
    writer.octets(record.cid, *_CID)
    LENGTH.write(writer, {"length": length})


def _write_unified(writer: Writer, record: Unified, length: int) -> None:
    if length < SHORTEST_UNIFIED:
        raise RequestError(
            f"{length} octets of ciphertext are below {SHORTEST_UNIFIED}", cite=SHORTEST_CITE
        )
    octets = whole_number(record.sequence_octets, "sequence_octets", 1, 2, UNIFIED_CITE)
    has_length = flag(record.has_length, "Unified.has_length")
    UNIFIED.write(
        writer,
        {
            "fixed bits": 0b001,
            "connection ID present (C)": int(bool(record.cid)),
            "sequence number length (S)": octets - 1,
            "length present (L)": int(has_length),
            "epoch (E)": record.epoch,
        },
    )
    writer.octets(record.cid, *_CID_UNIFIED)
    whole_number(record.sequence, "sequence number", 0, (1 << 8 * octets) - 1, UNIFIED_CITE)
    writer.number(octets, record.sequence, "sequence number", *_SEQUENCE, _one_octet(octets))
    if has_length:
        LENGTH.write(writer, {"length": length})
