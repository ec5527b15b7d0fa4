"""CCM* by the library: CCM (RFC 3610) for levels with an integrity code, counter mode alone for level 4.

IEEE 802.15.4-2006 annex B, from memory. This module loads the cipher library, so it is imported where a frame is
sealed or opened, not before. Nonces have 13 octets, so the counter has 2 (RFC 3610: L = 2).
"""

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from cryptography.hazmat.primitives.ciphers.aead import AESCCM

from lowpanbudget.errors import RequestError

_MOST = (1 << 16) - 1  # octets that 2 octets count


class Ccm:
    """A key prepared for integrity codes of ``tag`` octets, 4 to 16; it never shows its key."""

    __slots__ = ("_cipher",)

    def __init__(self, key: bytes, tag: int) -> None:
        self._cipher = AESCCM(key, tag_length=tag)

    def seal(self, nonce: bytes, text: bytes, additional: bytes) -> bytes:
        """Return ``text`` encrypted, followed by the integrity code over it and the ``additional`` octets."""
        _check(text)
        return self._cipher.encrypt(nonce, text, additional)

    def unseal(self, nonce: bytes, sealed: bytes, additional: bytes) -> bytes | None:
        """Return the text, or None when the integrity code does not match."""
        try:
            return self._cipher.decrypt(nonce, sealed, additional)
        except InvalidTag:
            return None


class CounterMode:
    """A key prepared for encryption without integrity code: anyone can alter what is sent, unnoticed."""

    __slots__ = ("_key",)

    def __init__(self, key: bytes) -> None:
        self._key = algorithms.AES(key)

    def seal(self, nonce: bytes, text: bytes, _additional: bytes) -> bytes:
        """Return ``text`` encrypted, or decrypted, which is the same: counter mode from block 1 (annex B.4)."""
        _check(text)
        encryptor = Cipher(self._key, modes.CTR(b"\x01" + nonce + b"\x00\x01")).encryptor()
        return encryptor.update(text) + encryptor.finalize()

    unseal = seal


def _check(text: bytes) -> None:
    if len(text) > _MOST:
        raise RequestError(
            f"{len(text)} octets are too many for one frame", hint=f"CCM* seals up to {_MOST}"
        )


def prepare(key: bytes, tag: int) -> Ccm | CounterMode:
    """Return the cipher of levels whose integrity code has ``tag`` octets; 0: the one of level 4."""
    return Ccm(key, tag) if tag else CounterMode(key)
