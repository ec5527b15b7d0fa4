"""What opens the DTLS records that one end sends: suite and keys, and by what its records are told from others."""

from ipaddress import IPv6Address

from lowpanbudget.arguments import as_declared, whole_number
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.internet.dtls.record import LAST_SEQUENCE, LONGEST_CID, DtlsRecord, Unified
from lowpanbudget.layers.internet.dtls.suites import DtlsSuite, RecordKeys
from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class DtlsSender:
    """One direction of a DTLS association in one epoch: ``suite`` and ``keys``, which are never shown.

    The other attributes narrow the records that the keys are tried on; None: any. ``source`` and ``port`` are those
    that the end sends from, ``epoch`` is that of the keys, ``cid`` the connection ID that its records carry, of
    ``cid_length`` octets (0: they carry none). ``next_sequence``, for DTLS 1.3, is the number of the record expected
    first: a record carries the low bits of its number alone. Raises ``RequestError``, without the keys, for what does
    not go with the suite. Sources: RFC 6347 section 4.1, RFC 9146 section 4, RFC 9147 section 4.
    """

    suite: DtlsSuite
    keys: RecordKeys
    source: IPv6Address | None = None
    port: int | None = None
    epoch: int | None = None
    cid: bytes | None = None
    cid_length: int = 0
    next_sequence: int = 0

    def __post_init__(self) -> None:
        as_declared(self).keys.check(self.suite)
        length = self.cid_length if self.cid is None else len(self.cid)
        if not 0 <= length <= LONGEST_CID or (self.cid_length and length != self.cid_length):
            raise RequestError(
                "the connection ID is longer than 255 octets, or not as long as it is said to be",
                hint="The length goes with the connection ID: give one of both",
            )
        whole_number(self.next_sequence, "next_sequence", most=LAST_SEQUENCE)
        if self.port is not None:
            whole_number(self.port, "port", most=(1 << 16) - 1)
        if self.epoch is not None:  # RFC 6347 section 4.1, RFC 9147 section 4
            whole_number(
                self.epoch, "epoch", most=(1 << (16 if self.suite.version == "1.2" else 64)) - 1
            )
        object.__setattr__(self, "cid_length", length)
        if self.cid is not None:  # what is an identifier may be seen
            object.__setattr__(self, "cid", bytes(self.cid))

    def sends_from(self, source: IPv6Address, port: int | None) -> bool:
        """Return whether a datagram from this address and port may be this end's."""
        return self.source in (None, source) and self.port in (None, port)

    def fits(self, record: DtlsRecord | Unified) -> bool:
        """Return whether a record may be one that these keys protect: by version, epoch and connection ID."""
        if not isinstance(record, DtlsRecord | Unified):
            raise RequestError(f"a DTLS record is needed, not {type(record).__name__}")
        if self.cid is not None and self.cid != record.cid:
            return False
        if isinstance(record, Unified):
            return self.suite.version == "1.3" and (
                self.epoch is None or self.epoch & 3 == record.epoch
            )
        return self.suite.version == "1.2" and self.epoch in (None, record.epoch)
