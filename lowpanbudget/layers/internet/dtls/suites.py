"""DTLS cipher suites with authenticated encryption: what each puts in line, and the keys of one direction.

1.2, CCM and GCM    nonce = salt 4 | explicit 8, which is sent     (RFC 6655 section 3)
1.2, ChaCha20       nonce = IV 12 XOR epoch and sequence number    (RFC 7905 section 2, from memory)
1.3                 nonce = IV 12 XOR sequence number              (RFC 9147 section 4)
"""

from typing import Literal

from lowpanbudget.arguments import value_of
from lowpanbudget.bits import as_octets
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.fields import Listing
from lowpanbudget.hidden import HiddenOctets
from lowpanbudget.layers.internet.aead import Aead
from lowpanbudget.values import dataclass, field

Version = Literal["1.2", "1.3"]
_HOW_SUITE = "dtls_suite(name) is one"


@dataclass(frozen=True, slots=True)
class DtlsSuite:
    """A cipher suite: ``salt`` octets of the nonce come from the key block, ``explicit`` octets go in each record.

    ``cite`` says where it is stated, such as RFC 6655 section 4 or RFC 8446 appendix B.4.
    """

    code: int
    name: str
    version: Version
    aead: Aead
    salt: int
    explicit: int
    cite: Cite


def _suites(
    version: Version, aead: Aead, explicit: int, cite: Cite, names: dict[int, str]
) -> tuple[DtlsSuite, ...]:
    return tuple(
        DtlsSuite(code, f"TLS_{name}", version, aead, aead.nonce - explicit, explicit, cite)
        for code, name in names.items()
    )


_CCM, _CCM_8 = Aead("CCM", 16, 12, 16), Aead("CCM", 16, 12, 8)
_CCM_256, _CCM_8_256 = Aead("CCM", 32, 12, 16), Aead("CCM", 32, 12, 8)
_GCM, _GCM_256 = Aead("GCM", 16, 12, 16), Aead("GCM", 32, 12, 16)
_CHACHA = Aead("ChaCha20-Poly1305", 32, 12, 16)

# RFC 6655 was read; the numbers of the other documents are from memory
SUITES = {
    suite.name: suite
    for suite in (
        *_suites("1.2", _CCM, 8, rfc(6655, "4"), {0xC0A4: "PSK_WITH_AES_128_CCM"}),
        *_suites("1.2", _CCM_256, 8, rfc(6655, "4"), {0xC0A5: "PSK_WITH_AES_256_CCM"}),
        *_suites("1.2", _CCM_8, 8, rfc(6655, "4"), {0xC0A8: "PSK_WITH_AES_128_CCM_8"}),
        *_suites("1.2", _CCM_8_256, 8, rfc(6655, "4"), {0xC0A9: "PSK_WITH_AES_256_CCM_8"}),
        *_suites("1.2", _CCM, 8, rfc(7251, "2"), {0xC0AC: "ECDHE_ECDSA_WITH_AES_128_CCM"}),
        *_suites("1.2", _CCM_256, 8, rfc(7251, "2"), {0xC0AD: "ECDHE_ECDSA_WITH_AES_256_CCM"}),
        *_suites("1.2", _CCM_8, 8, rfc(7251, "2"), {0xC0AE: "ECDHE_ECDSA_WITH_AES_128_CCM_8"}),
        *_suites("1.2", _CCM_8_256, 8, rfc(7251, "2"), {0xC0AF: "ECDHE_ECDSA_WITH_AES_256_CCM_8"}),
        *_suites("1.2", _CCM_8, 8, rfc(8442, "3"), {0xD003: "ECDHE_PSK_WITH_AES_128_CCM_8_SHA256"}),
        *_suites("1.2", _CCM, 8, rfc(8442, "3"), {0xD005: "ECDHE_PSK_WITH_AES_128_CCM_SHA256"}),
        *_suites("1.2", _GCM, 8, rfc(5487, "2"), {0x00A8: "PSK_WITH_AES_128_GCM_SHA256"}),
        *_suites(
            "1.2",
            _GCM,
            8,
            rfc(5289, "3.2"),
            {
                0xC02B: "ECDHE_ECDSA_WITH_AES_128_GCM_SHA256",
                0xC02F: "ECDHE_RSA_WITH_AES_128_GCM_SHA256",
            },
        ),
        *_suites(
            "1.2",
            _CHACHA,
            0,
            rfc(7905, "3"),
            {
                0xCCA8: "ECDHE_RSA_WITH_CHACHA20_POLY1305_SHA256",
                0xCCA9: "ECDHE_ECDSA_WITH_CHACHA20_POLY1305_SHA256",
                0xCCAB: "PSK_WITH_CHACHA20_POLY1305_SHA256",
                0xCCAC: "ECDHE_PSK_WITH_CHACHA20_POLY1305_SHA256",
            },
        ),
        *_suites("1.3", _GCM, 0, rfc(8446, "appendix B.4"), {0x1301: "AES_128_GCM_SHA256"}),
        *_suites("1.3", _GCM_256, 0, rfc(8446, "appendix B.4"), {0x1302: "AES_256_GCM_SHA384"}),
        *_suites(
            "1.3", _CHACHA, 0, rfc(8446, "appendix B.4"), {0x1303: "CHACHA20_POLY1305_SHA256"}
        ),
        *_suites("1.3", _CCM, 0, rfc(8446, "appendix B.4"), {0x1304: "AES_128_CCM_SHA256"}),
        *_suites("1.3", _CCM_8, 0, rfc(8446, "appendix B.4"), {0x1305: "AES_128_CCM_8_SHA256"}),
    )
}

# "MUST NOT be used in DTLS without additional safeguards against forgery"; those of 1.2 are not named there
FORGEABLE = SUITES["TLS_AES_128_CCM_8_SHA256"]
WARNED = rfc(9147, "4.5.3")


def dtls_suite(name: str) -> DtlsSuite:
    """Return the cipher suite of this name, such as "TLS_PSK_WITH_AES_128_CCM_8"; the name decides the version.

    Its ``cite`` says where it is stated, such as RFC 6655 section 4. Raises ``RequestError`` that lists the names.
    """
    suite = SUITES.get(name) if isinstance(name, str) else None
    if suite is None:
        raise RequestError(
            f"no suite is named {repeated(name)}", hint=f"Known: {', '.join(SUITES)}"
        )
    return suite


def _clause(suite: DtlsSuite) -> str:
    return f"{suite.cite}{f'; {WARNED} warns of it' if suite is FORGEABLE else ''}"


LISTED = Listing(
    "DTLS cipher suites",
    SUITES["TLS_PSK_WITH_AES_128_CCM_8"].cite,
    ("suite", "version", "explicit nonce", "tag", "clause"),
    tuple(
        (suite.name, suite.version, str(suite.explicit), str(suite.aead.tag), _clause(suite))
        for suite in SUITES.values()
    ),
    "Cipher suites of DTLS.",
)


@dataclass(frozen=True, slots=True)
class RecordKeys:
    """The keys of one direction and epoch, never shown.

    ``iv`` has the suite's ``salt`` octets; ``sequence_key`` hides the sequence numbers of DTLS 1.3 and is as long as
    the key. Raises ``RequestError`` for what is no octets; the suite that seals or opens with them judges
    their lengths. Sources: RFC 6655 section 3 (1.2), RFC 9147 section 4.2.3 (1.3).
    """

    key: bytes = field(repr=False)
    iv: bytes = field(repr=False)
    sequence_key: bytes = field(repr=False, default=b"")

    def __post_init__(self) -> None:
        for name in ("key", "iv", "sequence_key"):
            octets = HiddenOctets(as_octets(getattr(self, name), f"octets of {name}"))
            object.__setattr__(self, name, octets)

    def check(self, suite: DtlsSuite) -> None:
        """Return when all lengths are those of the suite; else raise ``RequestError`` without the keys."""
        suite = value_of(DtlsSuite, suite, _HOW_SUITE)
        sequence_key = suite.aead.key if suite.version == "1.3" else 0
        for what, octets, wanted in (
            ("key", self.key, suite.aead.key),
            ("IV", self.iv, suite.salt),
            ("sequence number key", self.sequence_key, sequence_key),
        ):
            if len(octets) != wanted:
                raise RequestError(
                    f"the {what} has {len(octets)} octets, and {suite.name} takes {wanted}",
                    cite=suite.cite,
                )

    @classmethod
    def stand_in(cls, suite: DtlsSuite) -> "RecordKeys":
        """Return keys of zeros for budgets: real lengths, no protection."""
        suite = value_of(DtlsSuite, suite, _HOW_SUITE)
        sequence_key = suite.aead.key if suite.version == "1.3" else 0
        return cls(bytes(suite.aead.key), bytes(suite.salt), bytes(sequence_key))
