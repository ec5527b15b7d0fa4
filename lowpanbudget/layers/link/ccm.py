"""CCM* by the library: CCM (RFC 3610) for levels with an integrity code, counter mode alone for level 4.

IEEE 802.15.4-2006 annex B, from memory. The cipher library is loaded with the first cipher, not before.
Nonces have 13 octets, so the counter has 2 (RFC 3610: L = 2).
"""

from typing import Any

from lowpanbudget.errors import RequestError

_MOST = (1 << 16) - 1  # octets that 2 octets count


class Ccm:
    """A key prepared for integrity codes of ``tag`` octets, 4 to 16; it never shows its key."""

    __slots__ = ("_cipher", "_wrong")

    def __init__(self, key: bytes, tag: int) -> None:
        from cryptography.exceptions import InvalidTag  # noqa: PLC0415  # heavy
        from cryptography.hazmat.primitives.ciphers.aead import AESCCM  # noqa: PLC0415

        self._cipher, self._wrong = AESCCM(key, tag_length=tag), InvalidTag

    def seal(self, nonce: bytes, text: bytes, additional: bytes) -> bytes:
        """Return ``text`` encrypted, followed by the integrity code over it and the ``additional`` octets."""
        _check(text)
        return self._cipher.encrypt(nonce, text, additional)

    def unseal(self, nonce: bytes, sealed: bytes, additional: bytes) -> bytes | None:
        """Return the text, or None when the integrity code does not match."""
        try:
            return self._cipher.decrypt(nonce, sealed, additional)
        except self._wrong:
            return None


class CounterMode:
    """A key prepared for encryption without integrity code: anyone can alter what is sent, unnoticed."""

    __slots__ = ("_cipher", "_key", "_mode")
    _cipher: Any
    _mode: Any

    def __init__(self, key: bytes) -> None:
        from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes  # noqa: PLC0415  # heavy

        self._key, self._cipher, self._mode = algorithms.AES(key), Cipher, modes.CTR

    def seal(self, nonce: bytes, text: bytes, _additional: bytes) -> bytes:
        """Return ``text`` encrypted, or decrypted, which is the same: counter mode from block 1 (annex B.4)."""
        _check(text)
        encryptor = self._cipher(self._key, self._mode(b"\x01" + nonce + b"\x00\x01")).encryptor()
        sealed: bytes = encryptor.update(text) + encryptor.finalize()
        return sealed

    unseal = seal


class Unencrypted(CounterMode):
    """In place of ciphers where only sizes are asked: CCM* keeps the length of a text and adds ``tag`` octets."""

    __slots__ = ("_tag",)

    def __init__(self, tag: int) -> None:  # no key, so no cipher
        self._tag = bytes(tag)

    def seal(self, _nonce: bytes, text: bytes, _additional: bytes) -> bytes:
        """Return ``text`` as it is and zeros for the integrity code."""
        return text + self._tag


def _check(text: bytes) -> None:
    if len(text) > _MOST:
        raise RequestError(
            f"{len(text)} octets are too many for one frame", hint=f"CCM* seals up to {_MOST}"
        )


def prepare(key: bytes, tag: int) -> Ccm | CounterMode:
    """Return the cipher of levels whose integrity code has ``tag`` octets; 0: the one of level 4."""
    return Ccm(key, tag) if tag else CounterMode(key)
