"""OSCORE security contexts: keys and common IV derived from a master secret (RFC 8613 section 3.2), nonces (5.2).

<- nonce length minus 6 -> <-- 5 octets -->
+---+-------------------+--------+---------+-----+
| S |      padding      | ID_PIV | padding | PIV |  XOR common IV  =  nonce
+---+-------------------+--------+---------+-----+
"""

from lowpanbudget.bits import as_octets
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.declared import as_whole
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.hidden import HiddenOctets
from lowpanbudget.layers.internet.aead import Aead
from lowpanbudget.values import dataclass, field

NONCE = rfc(8613, "5.2")
PIV_OCTETS = 5


@dataclass(frozen=True, slots=True)
class Algorithm:
    """An AEAD algorithm by its COSE number."""

    number: int
    name: str
    aead: Aead
    cite: Cite

    @property
    def longest_id(self) -> int:
        """Return the most octets of a sender ID: "nonce length minus 6 bytes" (RFC 8613 section 5.2)."""
        return self.aead.nonce - 6


# 10 is the mandatory one of RFC 8613 section 5; the others' numbers and sizes (RFC 8152 section 10) are from memory
ALGORITHMS = {
    row.number: row
    for row in (
        Algorithm(1, "A128GCM", Aead("GCM", 16, 12, 16), rfc(8152, "10.1")),
        Algorithm(3, "A256GCM", Aead("GCM", 32, 12, 16), rfc(8152, "10.1")),
        Algorithm(10, "AES-CCM-16-64-128", Aead("CCM", 16, 13, 8), rfc(8152, "10.2")),
        Algorithm(11, "AES-CCM-16-64-256", Aead("CCM", 32, 13, 8), rfc(8152, "10.2")),
        Algorithm(
            24, "ChaCha20/Poly1305", Aead("ChaCha20-Poly1305", 32, 12, 16), rfc(8152, "10.3")
        ),
        Algorithm(30, "AES-CCM-16-128-128", Aead("CCM", 16, 13, 16), rfc(8152, "10.2")),
        Algorithm(31, "AES-CCM-16-128-256", Aead("CCM", 32, 13, 16), rfc(8152, "10.2")),
    )
}
MANDATORY = 10


@dataclass(frozen=True, slots=True)
class SecurityContext:
    """One end's security context; sender and recipient swapped it is the other end's. Keys are never shown.

    Source: RFC 8613 section 3.1. Identifiers are 0 to 7 octets (with a nonce of 13); ``algorithm`` is a COSE number of
    ``ALGORITHMS``.
    """

    sender_id: bytes
    recipient_id: bytes
    sender_key: bytes = field(repr=False)
    recipient_key: bytes = field(repr=False)
    common_iv: bytes = field(repr=False)
    id_context: bytes | None = None
    algorithm: int = MANDATORY

    def __post_init__(self) -> None:
        for name in ("sender_key", "recipient_key", "common_iv"):
            key = HiddenOctets(as_octets(getattr(self, name), f"octets of {name}"))
            object.__setattr__(self, name, key)
        algorithm = _algorithm(self.algorithm)
        object.__setattr__(self, "algorithm", algorithm.number)
        if len(self.common_iv) != algorithm.aead.nonce:
            raise RequestError(
                f"a common IV of {len(self.common_iv)} octets is none of {algorithm.aead.nonce}",
                cite=NONCE,
            )
        for octets in (self.sender_id, self.recipient_id):
            as_octets(octets, "octets of an identifier")
            if len(octets) > algorithm.longest_id:
                raise RequestError(
                    f"an identifier of {len(octets)} octets is over {algorithm.longest_id}",
                    cite=rfc(8613, "3.3"),
                )
        if self.sender_id == self.recipient_id:
            raise RequestError(
                "sender and recipient have the same identifier, so they would share keys and nonces",
                cite=rfc(8613, "3.3"),
            )
        for name in ("sender_id", "recipient_id"):  # what is an identifier may be seen
            object.__setattr__(self, name, bytes(getattr(self, name)))
        if self.id_context is not None:
            object.__setattr__(
                self, "id_context", as_octets(self.id_context, "octets of an ID context")
            )

    @classmethod
    def derive(
        cls,
        master_secret: bytes,
        *,
        sender_id: bytes,
        recipient_id: bytes,
        master_salt: bytes = b"",
        id_context: bytes | None = None,
        algorithm: int = MANDATORY,
    ) -> "SecurityContext":
        """Return the context of a master secret, by HKDF with SHA-256 (RFC 8613 section 3.2).

        All arguments but ``algorithm``, a COSE number, are octets. Raises ``RequestError``, without the secret, for
        identifiers that are too long or equal, and for an algorithm that is not known.
        """
        known = _algorithm(algorithm)
        algorithm, sizes = known.number, known.aead
        master_secret = HiddenOctets(as_octets(master_secret, "octets of a master secret"))
        master_salt = as_octets(master_salt, "octets of a master salt")
        for octets in (sender_id, recipient_id, b"" if id_context is None else id_context):
            as_octets(octets, "octets of an identifier")

        def output(identifier: bytes, kind: str, length: int) -> bytes:
            return _hkdf(
                master_secret,
                master_salt,
                info(identifier, id_context, algorithm, kind, length),
                length,
            )

        return cls(
            sender_id,
            recipient_id,
            output(sender_id, "Key", sizes.key),
            output(recipient_id, "Key", sizes.key),
            output(b"", "IV", sizes.nonce),
            id_context,
            algorithm,
        )

    @classmethod
    def stand_in(
        cls,
        *,
        sender_id: bytes,
        recipient_id: bytes,
        id_context: bytes | None = None,
        algorithm: int = MANDATORY,
    ) -> "SecurityContext":
        """Return a context for budgets: real lengths, from a secret of zeros that protects nothing."""
        return cls.derive(
            bytes(16), sender_id=sender_id, recipient_id=recipient_id,
            id_context=id_context, algorithm=algorithm,
        )  # fmt: skip

    @property
    def other_end(self) -> "SecurityContext":
        """Return the context of the end that this one talks to."""
        return SecurityContext(
            self.recipient_id, self.sender_id, self.recipient_key, self.sender_key, self.common_iv,
            self.id_context, self.algorithm,
        )  # fmt: skip

    @property
    def aead(self) -> Aead:
        """Return the cipher."""
        return ALGORITHMS[self.algorithm].aead

    def nonce(self, identifier: bytes, piv: bytes) -> bytes:
        """Return the nonce of the end with this identifier, which made this Partial IV of 1 to 5 octets."""
        length = self.aead.nonce
        identifier = as_octets(identifier, "octets of an identifier")
        piv = as_octets(piv, "octets of a Partial IV")
        if len(identifier) > length - 1 - PIV_OCTETS or not 1 <= len(piv) <= PIV_OCTETS:
            raise RequestError(
                f"an identifier of {len(identifier)} and a Partial IV of {len(piv)} octets make no nonce",
                cite=NONCE,
            )
        padded = (
            bytes([len(identifier)])
            + identifier.rjust(length - 1 - PIV_OCTETS, b"\0")
            + piv.rjust(PIV_OCTETS, b"\0")
        )
        return HiddenOctets(a ^ b for a, b in zip(padded, self.common_iv, strict=True))


def info(
    identifier: bytes, id_context: bytes | None, algorithm: int, kind: str, length: int
) -> bytes:
    """Return the info structure of the derivation, a CBOR array."""
    from cbor2 import dumps  # noqa: PLC0415  # only where something is derived

    return HiddenOctets(dumps([identifier, id_context, algorithm, kind, length]))


def _hkdf(secret: bytes, salt: bytes, info_octets: bytes, length: int) -> bytes:
    from cryptography.hazmat.primitives.hashes import SHA256  # noqa: PLC0415  # heavy
    from cryptography.hazmat.primitives.kdf.hkdf import HKDF  # noqa: PLC0415

    derivation = HKDF(algorithm=SHA256(), length=length, salt=salt, info=info_octets)
    return HiddenOctets(derivation.derive(secret))


def _algorithm(number: int) -> Algorithm:
    row = ALGORITHMS.get(as_whole(number) or 0)
    if row is None:
        raise RequestError(
            f"COSE algorithm {repeated(number)} is not known here",
            cite=rfc(8613, "3.1"),
            hint="Known: "
            + ", ".join(f"{known.number} {known.name}" for known in ALGORITHMS.values()),
        )
    return row
