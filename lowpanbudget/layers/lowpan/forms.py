"""IPHC's forms of traffic class and flow label, next header, hop limit, contexts (RFC 6282 sections 3.1 and 3.2.1)."""

from functools import partial

from lowpanbudget.cites import rfc
from lowpanbudget.fields import BY_RULE, LINE, RULE, Bits, Choice, Row, Use
from lowpanbudget.layers.internet.ipv6 import next_header_name
from lowpanbudget.layers.lowpan.addresses import BASE
from lowpanbudget.layers.lowpan.extension_nhc import WITH_NHC

CONTEXT_IDS = rfc(6282, "3.1.2")
TRAFFIC = rfc(6282, "3.2.1")


# --- traffic class and flow label -------------------------------------------------------------------


def _rotated(traffic_class: int) -> int:
    """Return the traffic class as IPHC carries it: "rotated right by 2 bits", ECN first."""
    return (traffic_class & 3) << 6 | traffic_class >> 2


def _fit_traffic(value: tuple[int, int], _env: object, *, dscp: bool, flow: bool) -> bytes | None:
    traffic_class, label = value
    if (traffic_class >> 2 and not dscp) or (label and not flow):
        return None
    ecn_dscp = _rotated(traffic_class)
    if dscp and flow:
        return (ecn_dscp << 24 | label).to_bytes(4, "big")
    if flow:
        return ((ecn_dscp & 0xC0) << 16 | label).to_bytes(3, "big")
    if dscp:
        return bytes([ecn_dscp])
    return None if traffic_class else b""


def _restore_traffic(octets: bytes, _env: object, *, dscp: bool, flow: bool) -> tuple[int, int]:
    ecn_dscp = octets[0] if octets else 0
    if not dscp:
        ecn_dscp &= 0xC0
    label = int.from_bytes(octets[-3:], "big") & 0xFFFFF if flow else 0
    return (ecn_dscp & 0x3F) << 2 | ecn_dscp >> 6, label


def _zero(name: str) -> Use:
    return Use(name, (), f"zero {BY_RULE}", (RULE,))


_CLASS = "traffic class"
_LABEL_CARRIED = Use("flow label", ("flow label",))
_ECN = Bits("ECN", 2, "explicit congestion notification: the first two bits here, the last in IPv6")
_DSCP = Bits("DSCP", 6, "differentiated services code point")
_LABEL = Bits("flow label", 20)
TF = Choice(
    "tf",
    "traffic class and flow label form (TF)",
    2,
    tuple(
        Row(
            code,
            inline,
            needs,
            TRAFFIC,
            partial(_fit_traffic, dscp=dscp, flow=flow),
            partial(_restore_traffic, dscp=dscp, flow=flow),
            parts,
            uses=uses,
        )
        for code, inline, dscp, flow, parts, needs, uses in (
            (
                0, 4, True, True, (_ECN, _DSCP, Bits("pad", 4, unused=True), _LABEL), "always possible",
                (Use(_CLASS, ("ECN", "DSCP")), _LABEL_CARRIED),
            ),
            (
                1, 3, False, True, (_ECN, Bits("pad", 2, unused=True), _LABEL), "DSCP is zero",
                (
                    Use(_CLASS, ("ECN",), f"ECN in line; DSCP zero {BY_RULE}", (LINE, RULE)),
                    _LABEL_CARRIED,
                ),
            ),
            (
                2, 1, True, False, (_ECN, _DSCP), "flow label is zero",
                (Use(_CLASS, ("ECN", "DSCP")), _zero("flow label")),
            ),
            (
                3, 0, False, False, (), "traffic class and flow label are zero",
                (_zero(_CLASS), _zero("flow label")),
            ),
        )
    ),
)  # fmt: skip

# --- next header and hop limit ----------------------------------------------------------------------


def _fit_next_header(value: int | None, _env: object) -> bytes | None:
    return None if value is None else bytes([value])


def _restore_octet(octets: bytes, _env: object) -> int:
    return octets[0]


NH = Choice(
    "nh",
    "next header form (NH)",
    1,
    (
        Row(
            0,
            1,
            "the next header goes uncompressed, its number in line",
            BASE,
            _fit_next_header,
            _restore_octet,
            (Bits("next header", 8, next_header_name),),
            uses=(Use("next header", ("next header",)),),
            shrinks=WITH_NHC.__contains__,
        ),
        Row(
            1,
            0,
            "the next header is compressed with LOWPAN_NHC",
            BASE,
            lambda value, _env: b"" if value is None else None,
            lambda _octets, _env: None,
            uses=(
                Use("next header", (), "the next header's own compressed form follows", (RULE,)),
            ),
        ),
    ),
)


def _fit_hop_limit(value: int, _env: object, *, known: int) -> bytes | None:
    if known:
        return b"" if value == known else None
    return bytes([value])


def _restore_hop_limit(octets: bytes, _env: object, *, known: int) -> int:
    return known or octets[0]


HLIM = Choice(
    "hlim",
    "hop limit form (HLIM)",
    2,
    tuple(
        Row(
            code,
            0 if known else 1,
            f"the hop limit is {known}" if known else "any hop limit, in line",
            BASE,
            partial(_fit_hop_limit, known=known),
            partial(_restore_hop_limit, known=known),
            () if known else (Bits("hop limit", 8),),
            uses=(
                Use("hop limit", (), "a value that the two bits of HLIM stand for", (RULE,))
                if known
                else Use("hop limit", ("hop limit",)),
            ),
        )
        for code, known in enumerate((0, 1, 64, 255))
    ),
)

# --- context identifiers ----------------------------------------------------------------------------


def _fit_contexts(value: tuple[int, int], _env: object, *, inline: bool) -> bytes | None:
    if inline:
        return bytes([value[0] << 4 | value[1]])
    return b"" if value == (0, 0) else None


def _restore_contexts(octets: bytes, _env: object) -> tuple[int, int]:
    return (octets[0] >> 4, octets[0] & 15) if octets else (0, 0)


CID = Choice(
    "cid",
    "context octet (CID)",
    1,
    (
        Row(
            0,
            0,
            "no context but context 0 is used",
            CONTEXT_IDS,
            partial(_fit_contexts, inline=False),
            _restore_contexts,
        ),
        Row(
            1,
            1,
            "an octet names the contexts",
            CONTEXT_IDS,
            partial(_fit_contexts, inline=True),
            _restore_contexts,
            (
                Bits("source context (SCI)", 4, "context of the source address"),
                Bits("destination context (DCI)", 4, "context of the destination address"),
            ),
        ),
    ),
)
