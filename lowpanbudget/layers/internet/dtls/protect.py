"""DTLS records protected and opened as octets, whatever their version: ``seal`` has what each version does."""

from lowpanbudget.arguments import as_declared, explains, whole_number, with_flags
from lowpanbudget.bits import Writer, as_octets
from lowpanbudget.cites import rfc
from lowpanbudget.declared import as_whole
from lowpanbudget.errors import RequestError, Truncated
from lowpanbudget.layers.internet.aead import Nonces
from lowpanbudget.layers.internet.dtls.content import LAYER, ContentType
from lowpanbudget.layers.internet.dtls.record import (
    CITE,
    LAST_SEQUENCE,
    LONGEST_CID,
    LONGEST_PLAIN,
    DtlsRecord,
    Unified,
    read_dtls,
)
from lowpanbudget.layers.internet.dtls.seal import (
    OpenedRecord,
    open_1_2,
    open_1_3,
    seal_1_2,
    seal_1_3,
)
from lowpanbudget.layers.internet.dtls.suites import DtlsSuite, RecordKeys

_EPOCHS = rfc(9147, "6.1")


@with_flags
def seal_dtls(
    content: bytes,
    keys: RecordKeys,
    suite: DtlsSuite,
    *,
    epoch: int,
    sequence: int,
    content_type: int = ContentType.APPLICATION,
    cid: bytes = b"",
    padding: int = 0,
    sequence_octets: int = 1,
    has_length: bool = False,
    used: Nonces | None = None,
) -> DtlsRecord | Unified:
    """Return the protected record that carries ``content``, of the version that the suite belongs to.

    Sources: RFC 6347 section 4.1.2 and RFC 9146 section 5 (1.2), RFC 9147 section 4 (1.3).

    ``sequence`` is to be used once in an epoch; ``used``, one for each key, refuses a second use. ``padding`` are zeros
    behind the content: in 1.2 only with a connection ID, in 1.3 as many more as the shortest record wants. In 1.3 the
    header has ``sequence_octets`` (1 or 2) and a length where ``has_length``. ``write_dtls`` gives the octets. Raises
    ``RequestError``, without the keys, for what cannot be sealed.
    """
    _check(keys, suite)
    # as every record before the keys are there, which a receiver takes for one in the clear
    if as_whole(epoch) == 0:
        raise RequestError(
            "records of epoch 0 go in the clear",
            cite=CITE if suite.version == "1.2" else _EPOCHS,
            hint="Give the epoch of the keys, 1 or more",
        )
    padding = whole_number(padding, "padding", most=LONGEST_PLAIN)
    octets, writer = as_octets(content), Writer(LAYER)
    if suite.version == "1.2":
        return seal_1_2(
            writer, octets, keys, suite, epoch=epoch, sequence=sequence, content_type=content_type,
            cid=cid, padding=padding, used=used,
        )  # fmt: skip
    return seal_1_3(
        writer, octets, keys, suite, epoch=epoch, sequence=sequence, content_type=content_type, cid=cid,
        sequence_octets=sequence_octets, has_length=has_length, padding=padding, used=used,
    )  # fmt: skip


@explains
def open_dtls(
    record: DtlsRecord | Unified | bytes,
    keys: RecordKeys,
    suite: DtlsSuite,
    *,
    cid_length: int | None = None,
    next_sequence: int = 0,
) -> OpenedRecord:
    """Return what a protected record holds, given as ``read_dtls`` returns it or as the octets of one record.

    Sources: RFC 6347 section 4.1.2 and RFC 9146 section 5 (1.2), RFC 9147 section 4 (1.3).

    ``cid_length`` as in ``read_dtls``, for octets. ``next_sequence``, for DTLS 1.3: one more than the highest number
    opened so far in this epoch. Raises ``BadMic`` or another ``WireError`` with its offset in the record,
    ``RequestError`` for keys or a suite that do not go with it, and for what is no record, or not one.
    """
    _check(keys, suite)
    next_sequence = whole_number(next_sequence, "next_sequence", most=LAST_SEQUENCE)
    if cid_length is not None:
        cid_length = whole_number(cid_length, "cid_length", most=LONGEST_CID)
    if isinstance(record, DtlsRecord | Unified):
        record = as_declared(record)
    else:
        records = read_dtls(record, cid_length=cid_length)
        if not records:
            raise Truncated("no octet of a record is here", layer=LAYER, cite=CITE)
        if len(records) != 1:
            raise RequestError(
                f"there are {len(records)} records in these octets",
                hint="read_dtls returns them; open one after the other",
            )
        (record,) = records
    if isinstance(record, DtlsRecord):
        return open_1_2(record, keys, suite)
    return open_1_3(record, keys, suite, next_sequence=next_sequence)


def _check(keys: RecordKeys, suite: DtlsSuite) -> None:
    if not isinstance(keys, RecordKeys) or not isinstance(suite, DtlsSuite):
        raise RequestError(
            f"RecordKeys and a suite are needed, not {type(keys).__name__} and {type(suite).__name__}",
            hint="dtls_suite(name) is one",
        )
