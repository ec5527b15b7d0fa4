"""Authenticated encryption as OSCORE and DTLS use it: sealing, opening, and nonces that may not come twice.

All ciphers here add a tag and keep the length and the order of the text, so every octet of the text has its own
octet in the ciphertext. That is what lets spans name encrypted octets.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING, Literal

from lowpanbudget.arguments import value_of
from lowpanbudget.bits import as_octets
from lowpanbudget.cites import Cite
from lowpanbudget.errors import BadMic, RequestError
from lowpanbudget.values import dataclass, field

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM, AESGCM, ChaCha20Poly1305

Family = Literal["CCM", "GCM", "ChaCha20-Poly1305"]


@dataclass(frozen=True, slots=True)
class Aead:
    """A cipher with associated data (RFC 5116 section 2): its family, and the octets of key, nonce and tag."""

    family: Family
    key: int
    nonce: int
    tag: int

    @property
    def longest(self) -> int:
        """Return the most octets of text: CCM counts them in 15 less nonce octets (RFC 3610 section 2)."""
        return (1 << 8 * (15 - self.nonce)) - 1 if self.family == "CCM" else (1 << 31) - 1

    def seal(
        self, key: bytes, nonce: bytes, text: bytes, additional: bytes, used: "Nonces | None" = None
    ) -> bytes:
        """Return the encrypted text and its tag; ``used`` refuses a nonce that comes twice."""
        cipher = self._cipher(key, nonce)
        if len(text) > self.longest:
            raise RequestError(f"{len(text)} octets are too many for one message of this cipher")
        if used is not None:
            value_of(Nonces, used).take(nonce)
        return cipher.encrypt(nonce, text, additional)

    def unseal(
        self, key: bytes, nonce: bytes, sealed: bytes, additional: bytes, failure: "Failure"
    ) -> bytes:
        """Return the text; raises ``BadMic`` with the place that ``failure`` tells."""
        from cryptography.exceptions import InvalidTag  # noqa: PLC0415  # heavy: only sealed messages

        cipher = self._cipher(key, nonce)
        if not self.tag <= len(sealed) <= self.longest + self.tag:
            raise failure(f"{len(sealed)} octets cannot be a text with a tag of {self.tag}")
        try:
            return cipher.decrypt(nonce, sealed, additional)
        except InvalidTag:
            raise failure(
                "the tag does not match: another key, another sequence number, or altered octets"
            ) from None

    def _cipher(self, key: bytes, nonce: bytes) -> "AESCCM | AESGCM | ChaCha20Poly1305":
        from cryptography.hazmat.primitives.ciphers import aead  # noqa: PLC0415  # heavy

        for what, octets, wanted in (("key", key, self.key), ("nonce", nonce, self.nonce)):
            if len(octets) != wanted:
                raise RequestError(f"the {what} has {len(octets)} octets, and {wanted} are needed")
        if self.family == "CCM":
            return aead.AESCCM(key, tag_length=self.tag)
        return aead.AESGCM(key) if self.family == "GCM" else aead.ChaCha20Poly1305(key)


Failure = Callable[[str], BadMic]


def failure_at(offset: int, layer: str, cite: Cite) -> Failure:
    """Return what makes the located error of a seal that does not open."""
    return lambda message: BadMic(message, offset=offset, layer=layer, cite=cite)


@dataclass(slots=True)
class Nonces:
    """The nonces used so far under one key; one more use of any of them is refused.

    "An AEAD nonce MUST NOT be used more than once per AEAD key" (RFC 8613 section 7.2): two texts under one nonce
    give each other away, and the tag no longer protects. Memory grows with the messages sealed.
    """

    cite: Cite | None = None
    _used: set[bytes] = field(default_factory=set, repr=False)

    def take(self, nonce: bytes) -> None:
        """Return when ``nonce`` is new, and remember it; else raise ``RequestError``."""
        nonce = as_octets(nonce, "octets of a nonce")
        if nonce in self._used:
            raise RequestError(
                "this nonce has been used under this key",
                cite=self.cite,
                hint="Take the next sequence number or frame counter; when there is none left, new keys are due",
            )
        self._used.add(nonce)
