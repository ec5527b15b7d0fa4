"""DTLS records sealed and opened under given keys: 1.2 (RFC 6347 4.1.2, RFC 9146 5) and 1.3 (RFC 9147 section 4).

    1.2             explicit nonce if the suite has one | encrypted content | tag
    1.2 with CID    ... encrypted (content, real type, zeros) | tag         authenticated: see ``_additional``
    1.3             encrypted (content, type, zeros) | tag                  authenticated: the header itself

Handshakes, key derivation and replay windows are the caller's. Two records with one number under one key would give
each other away: ``Nonces`` refuses the second.
"""

from lowpanbudget.arguments import whole_number
from lowpanbudget.bits import Span, Writer, as_octets
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import Malformed, RequestError, repeated
from lowpanbudget.hidden import HiddenOctets
from lowpanbudget.layers.internet.aead import Nonces, failure_at
from lowpanbudget.layers.internet.dtls import record as dtls
from lowpanbudget.layers.internet.dtls.content import CONTENT_NAMES, LAYER, ContentType
from lowpanbudget.layers.internet.dtls.record import DtlsRecord, Unified
from lowpanbudget.layers.internet.dtls.suites import DtlsSuite, RecordKeys, Version
from lowpanbudget.values import dataclass

AAD_CITE = rfc(6347, "4.1.2.1")
CID_AAD = rfc(9146, "5.3")
MASK_CITE = rfc(9147, "4.2.3")
_PLACEHOLDER = b"\xff" * 8  # RFC 9146 section 5: seq_num_placeholder


@dataclass(frozen=True, slots=True)
class OpenedRecord:
    """What a record held: its real ``content_type``, the ``content`` in the clear, its whole ``sequence`` number.

    Sources: RFC 6347 section 4.1, RFC 9146 section 4, RFC 9147 section 4.
    """

    content_type: int
    content: bytes
    sequence: int


def seal_1_2(
    writer: Writer,
    content: bytes | Writer,
    keys: RecordKeys,
    suite: DtlsSuite,
    *,
    epoch: int,
    sequence: int,
    content_type: int = ContentType.APPLICATION,
    cid: bytes = b"",
    padding: int = 0,
    used: Nonces | None = None,
) -> DtlsRecord:
    """Return the protected record of DTLS 1.2, appended to ``writer``.

    With a connection ID the content type goes inside (RFC 9146) and ``padding`` zeros may follow it. Spans of a
    ``Writer`` given as content name the encrypted octets. Raises ``RequestError`` for what cannot be sealed.
    """
    epoch, sequence, content_type = _checked(suite, "1.2", keys, epoch, sequence, content_type, cid)
    inner = _inner(content, content_type, padding, CID_AAD) if cid else _plain(content, padding)
    number = epoch.to_bytes(2, "big") + sequence.to_bytes(6, "big")
    outer = ContentType.CID if cid else content_type
    head = DtlsRecord(outer, epoch, sequence, b"", cid=cid)
    ciphertext = suite.aead.seal(
        keys.key, _nonce_1_2(suite, keys, number), bytes(inner.data),
        _additional(head, number, len(inner.data)), used,
    )  # fmt: skip
    fragment = number[8 - suite.explicit :] + ciphertext
    record = DtlsRecord(outer, epoch, sequence, fragment, cid=cid)
    dtls.write_header(writer, record, len(fragment))
    writer.octets(fragment[: suite.explicit], *dtls.EXPLICIT_NONCE)
    _append_sealed(writer, inner, ciphertext, suite)
    return record


def seal_1_3(
    writer: Writer,
    content: bytes | Writer,
    keys: RecordKeys,
    suite: DtlsSuite,
    *,
    epoch: int,
    sequence: int,
    content_type: int = ContentType.APPLICATION,
    cid: bytes = b"",
    sequence_octets: int = 1,
    has_length: bool = False,
    padding: int = 0,
    used: Nonces | None = None,
) -> Unified:
    """Return the protected record of DTLS 1.3, appended to ``writer``.

    Zeros are added where the ciphertext would have fewer than 16 octets: "Senders MUST pad short plaintexts out".
    Spans and errors as ``seal_1_2``.
    """
    epoch, sequence, content_type = _checked(suite, "1.3", keys, epoch, sequence, content_type, cid)
    sequence_octets = whole_number(sequence_octets, "sequence_octets", 1, 2, dtls.UNIFIED_CITE)
    length = len(content if isinstance(content, bytes) else content.data) + 1 + suite.aead.tag
    padding = max(padding, dtls.SHORTEST_UNIFIED - length)
    inner = _inner(content, content_type, padding, MASK_CITE)
    length = len(inner.data) + suite.aead.tag
    low = sequence & (1 << 8 * sequence_octets) - 1
    head = Unified(epoch & 3, low, b"", cid, sequence_octets, has_length)
    ciphertext = suite.aead.seal(
        keys.key, _xor(keys.iv, sequence), bytes(inner.data), _header_octets(head, length), used
    )
    hidden = low ^ _mask(suite, keys, ciphertext, sequence_octets)
    record = Unified(epoch & 3, hidden, ciphertext, cid, sequence_octets, has_length)
    dtls.write_header(writer, record, length)
    _append_sealed(writer, inner, ciphertext, suite)
    return record


def open_1_2(record: DtlsRecord, keys: RecordKeys, suite: DtlsSuite) -> OpenedRecord:
    """Return what a protected record of DTLS 1.2 holds; raises ``BadMic`` or another ``WireError``."""
    _checked(suite, "1.2", keys, record.epoch, record.sequence, record.content_type, record.cid)
    number = record.epoch.to_bytes(2, "big") + record.sequence.to_bytes(6, "big")
    at = len(_header_octets(record, len(record.fragment)))
    sealed = record.fragment[suite.explicit :]
    if len(sealed) < suite.aead.tag:
        raise Malformed(
            f"{len(record.fragment)} octets are too few for {suite.name}",
            offset=at, layer=LAYER, cite=suite.cite,
        )  # fmt: skip
    explicit = record.fragment[: suite.explicit] or number
    text = suite.aead.unseal(
        keys.key,
        _nonce_1_2(suite, keys, explicit),
        sealed,
        _additional(record, number, len(sealed) - suite.aead.tag),
        failure_at(at + suite.explicit, LAYER, AAD_CITE),
    )
    if not record.cid:
        return OpenedRecord(record.content_type, text, record.sequence)
    return _unwrap(text, record.sequence, at + suite.explicit, CID_AAD)


def open_1_3(
    record: Unified, keys: RecordKeys, suite: DtlsSuite, *, next_sequence: int = 0
) -> OpenedRecord:
    """Return what a protected record of DTLS 1.3 holds; raises ``BadMic`` or another ``WireError``.

    ``next_sequence`` is one more than the highest number opened so far in this epoch: of the numbers with these low
    bits the closest to it is meant (RFC 9147 section 4.2.2).
    """
    _checked(suite, "1.3", keys, record.epoch, 0, ContentType.APPLICATION, record.cid)
    size = len(record.fragment)
    at = len(_header_octets(record, max(size, dtls.SHORTEST_UNIFIED)))
    if size < dtls.SHORTEST_UNIFIED:
        raise Malformed(f"{size} octets of ciphertext", offset=at, layer=LAYER, cite=MASK_CITE)
    low = record.sequence ^ _mask(suite, keys, record.fragment, record.sequence_octets)
    sequence = _closest(low, 8 * record.sequence_octets, next_sequence)
    head = Unified(record.epoch, low, b"", record.cid, record.sequence_octets, record.has_length)
    text = suite.aead.unseal(
        keys.key,
        _xor(keys.iv, sequence),
        record.fragment,
        _header_octets(head, size),
        failure_at(at, LAYER, rfc(9147, "4.5.2")),
    )
    return _unwrap(text, sequence, at, dtls.UNIFIED_CITE)


def plaintext_of(
    record: DtlsRecord | Unified, opened: OpenedRecord, content: Writer, length: int
) -> Writer:
    """Return the ``length`` octets in place of an opened record's ciphertext: ``content`` with spans, type, zeros."""
    if isinstance(record, DtlsRecord) and not record.cid:
        return _plain(content, 0)
    cite = CID_AAD if isinstance(record, DtlsRecord) else MASK_CITE
    return _inner(content, opened.content_type, length - len(content.data) - 1, cite)


def _checked(
    suite: DtlsSuite,
    version: Version,
    keys: RecordKeys,
    epoch: int,
    sequence: int,
    content_type: int,
    cid: bytes,
) -> tuple[int, int, int]:
    """Return epoch, sequence number and content type, where all is as sealing and opening want it."""
    if suite.version != version:
        raise RequestError(
            f"{suite.name} is of DTLS {suite.version}, not {version}", cite=suite.cite
        )
    keys.check(suite)
    # "sending implementations MUST NOT allow the epoch to exceed 2^48-1" (RFC 9147 section 8)
    epochs = 1 << 16 if version == "1.2" else 1 << 48
    epoch = whole_number(epoch, "epoch", most=epochs - 1, cite=dtls.CITE)
    sequence = whole_number(sequence, "sequence number", most=dtls.LAST_SEQUENCE, cite=dtls.CITE)
    content_type = whole_number(content_type, "content type", cite=dtls.DEMULTIPLEX)
    if content_type not in CONTENT_NAMES:
        raise RequestError(
            f"content type {repeated(content_type)} is not 20 to 26", cite=dtls.DEMULTIPLEX
        )
    if len(as_octets(cid, "octets of a connection ID")) > dtls.LONGEST_CID:
        raise RequestError(
            f"a connection ID of {len(cid)} octets is over {dtls.LONGEST_CID}", cite=dtls.CID_CITE
        )
    return epoch, sequence, content_type


def _plain(content: bytes | Writer, padding: int) -> Writer:
    """Return the content with its spans."""
    if padding:
        raise RequestError("DTLS 1.2 pads only with a connection ID", cite=dtls.CID_CITE)
    inner = Writer(LAYER)
    if isinstance(content, Writer):
        inner.append(content)
    else:
        inner.octets(content, "content", "application data, encrypted", dtls.CITE)
    if len(inner.data) > dtls.LONGEST_PLAIN:
        raise RequestError(
            f"a content of {len(inner.data)} octets is over {dtls.LONGEST_PLAIN}", cite=dtls.CITE
        )
    return inner


def _inner(content: bytes | Writer, content_type: int, padding: int, cite: Cite) -> Writer:
    """Return content, real type and zeros: what DTLSInnerPlaintext holds."""
    inner = _plain(content, 0)
    inner.layer = LAYER
    name = CONTENT_NAMES.get(content_type, "unknown")
    inner.octets(
        bytes([content_type]), "real content type", f"{name}, encrypted",
        cite, value=content_type,
    )  # fmt: skip
    if padding > dtls.LONGEST_PLAIN:
        raise RequestError(f"{padding} octets of padding are too many", cite=cite)
    inner.octets(bytes(max(padding, 0)), "padding", "zeros", cite, "longer content")
    return inner


def _append_sealed(writer: Writer, inner: Writer, ciphertext: bytes, suite: DtlsSuite) -> None:
    """Append ciphertext under the spans of the text it hides: the cipher keeps their order. Then the tag."""
    at = writer.pos * 8
    writer.spans += [span._replace(offset_bits=span.offset_bits + at) for span in inner.spans]
    tag = ciphertext[len(inner.data) :]
    # a weaker tag is no advice, so nothing removes it
    writer.spans.append(
        Span(at + len(inner.data) * 8, len(tag) * 8, LAYER, "tag", tag, "integrity of the record", suite.cite)
    )  # fmt: skip
    writer.data += ciphertext


def _unwrap(text: bytes, sequence: int, at: int, cite: Cite) -> OpenedRecord:
    """Return the content before the last octet that is not zero, which is its type."""
    content = text.rstrip(b"\0")
    if not content:
        raise Malformed("nothing but zeros: no content type", offset=at, layer=LAYER, cite=cite)
    return OpenedRecord(content[-1], content[:-1], sequence)


def _nonce_1_2(suite: DtlsSuite, keys: RecordKeys, number: bytes) -> bytes:
    if suite.explicit:
        return HiddenOctets(keys.iv + number)
    return _xor(keys.iv, int.from_bytes(number, "big"))


def _xor(iv: bytes, number: int) -> bytes:
    return HiddenOctets((int.from_bytes(iv, "big") ^ number).to_bytes(len(iv), "big"))


def _additional(record: DtlsRecord, number: bytes, length: int) -> bytes:
    """Return what a tag of 1.2 covers besides the content (RFC 5246 section 6.2.3.3; RFC 9146 section 5.3)."""
    kind, version = bytes([record.content_type]), record.version.to_bytes(2, "big")
    size = length.to_bytes(2, "big")
    if not record.cid:
        return number + kind + version + size
    count = bytes([len(record.cid)])
    return _PLACEHOLDER + kind + count + kind + version + number + record.cid + size


def _header_octets(record: DtlsRecord | Unified, length: int) -> bytes:
    writer = Writer(LAYER)
    dtls.write_header(writer, record, length)
    return bytes(writer.data)


def _mask(suite: DtlsSuite, keys: RecordKeys, ciphertext: bytes, octets: int) -> int:
    """Return what hides the sequence number: the block cipher over the first 16 octets of ciphertext."""
    from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes  # noqa: PLC0415  # heavy

    if suite.aead.family == "ChaCha20-Poly1305":
        encryptor = Cipher(
            algorithms.ChaCha20(keys.sequence_key, ciphertext[:16]), None
        ).encryptor()
        mask = encryptor.update(bytes(octets))
    else:
        # one block under a key of its own, as RFC 9147 section 4.2.3 says: the mode hides no text here
        encryptor = Cipher(algorithms.AES(keys.sequence_key), modes.ECB()).encryptor()  # noqa: S305
        mask = encryptor.update(ciphertext[:16])[:octets]
    return int.from_bytes(mask, "big")


def _closest(low: int, bits: int, wanted: int) -> int:
    """Return the number with these low bits that is closest to ``wanted`` and not below zero."""
    window = 1 << bits
    base = wanted - wanted % window + low
    candidates = [number for number in (base - window, base, base + window) if number >= 0]
    return min(candidates, key=lambda number: abs(number - wanted))
