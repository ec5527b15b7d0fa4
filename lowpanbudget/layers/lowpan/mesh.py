"""Mesh and broadcast headers for mesh-under networks (RFC 4944 sections 5.2 and 11.1).

|1 0|V|F|HopsLft|  deep hops left, when the nibble is 0xf  |  originator address, final address
|0|1|LOWPAN_BC0 |  sequence number
"""

from collections.abc import Callable
from functools import partial
from ipaddress import IPv6Address

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import RequestError, plural, repeated
from lowpanbudget.fields import Bits, Choice, Header, Row, bits, layout_of, stated_by, structure
from lowpanbudget.shown import LINK_ADDRESS
from lowpanbudget.values import dataclass, field

CITE = rfc(4944, "5.2")
PLANNED = "A design plans it with mesh_under = true in [flow.routing] (RFC 4944 section 5.2)"
BROADCAST_CITE = rfc(4944, "11.1")
GROUP_CITE = rfc(4944, "9")
GROUP = 0b100  # the first bits of a 16-bit address that is made of a group's
SHORT = 2  # octets
DEEP = 0xF
MOST_HOPS = 0xFF  # in the octet of deep hops left


def _fit_address(value: bytes, _env: object, *, octets: int) -> bytes | None:
    return value if len(value) == octets else None


def _restore_address(octets: bytes, _env: object) -> bytes:
    return octets


def _says_final(address: bytes) -> str:
    """Return what a short address at the far end is: a node's, or made of a group's, which nodes never have."""
    if address[0] >> 5 != GROUP:
        return "the final address has 16 bits"
    return "a group: 100, then the last 13 bits of its IPv6 address (RFC 4944 section 9)"


def _address(name: str, label: str, says: Callable[[bytes], str] | None = None) -> Choice:
    return Choice(
        name,
        label,
        1,
        tuple(
            Row(
                code, octets, f"the {label.split(maxsplit=1)[0]} address has {octets * 8} bits", CITE,
                partial(_fit_address, octets=octets), _restore_address,
                says=says if octets == SHORT else None,
            )
            for code, octets in ((0, 8), (1, SHORT))
        ),
    )  # fmt: skip


ORIGINATOR = _address("v", "originator address form (V)")
FINAL = _address("f", "final address form (F)", _says_final)
MESH = Header(
    "mesh",
    CITE,
    (
        Bits("dispatch", 2, "mesh header", fixed=0b10),
        ORIGINATOR,
        FINAL,
        Bits(
            "hops left",
            4,
            lambda value: (
                "deep hops left follow, in an octet" if value == DEEP else f"{value} more hops"
            ),
        ),
    ),
)


@stated_by(MESH)
@dataclass(frozen=True, slots=True)
class Mesh:
    """A mesh header: ``hops_left``, and the addresses of the two ends, most significant octet first.

    ``deep`` says that the hop count has an octet of its own, as it must from 15 on.
    """

    hops_left: int
    originator: bytes = field(metadata=LINK_ADDRESS)
    final: bytes = field(metadata=LINK_ADDRESS)
    deep: bool = False

    @property
    def is_last_hop(self) -> bool:
        """Return whether who gets it may not forward it: "if Hops Left is decremented to zero" (section 5.2)."""
        return self.hops_left <= 1


@structure("BC0", BROADCAST_CITE, kw_only=False)
class Broadcast:
    """A broadcast header with its sequence number."""

    dispatch = bits(8, "broadcast", fixed=0x50)
    sequence: int = bits(
        8, "detects duplicates of a flooded frame", free=True, name="sequence number"
    )


BC0 = layout_of(Broadcast).word
decode_broadcast = layout_of(Broadcast).read


def decode(reader: Reader) -> Mesh:
    """Return the mesh header that comes next; raises ``Truncated``."""
    values, rows = MESH.read(reader)
    hops, deep = values["hops left"], values["hops left"] == DEEP
    if deep:
        hops = reader.peek("deep hops left", CITE)
        reader.octets(
            1, "deep hops left", "hops left, in an octet of its own", CITE,
            "0 octets with fewer than 15 hops left", hops,
        )  # fmt: skip
    originator = ORIGINATOR.read(reader, rows["v"])
    return Mesh(hops, originator, FINAL.read(reader, rows["f"]), deep)


def group_address(group: IPv6Address) -> bytes:
    """Return the 16-bit address for which frames to a group are in a mesh (RFC 4944 section 9).

    "The initial 3-bit pattern of 100" stands before the last 5 bits of DST[15] and all of DST[16].
    """
    return (GROUP << 13 | int(group) & 0x1FFF).to_bytes(2, "big")


def encode(writer: Writer, mesh: Mesh) -> None:
    """Append a mesh header; raises ``RequestError`` for hops or addresses that it cannot hold."""
    if not 0 <= mesh.hops_left <= MOST_HOPS:
        raise RequestError(
            f"Mesh.hops_left {repeated(mesh.hops_left)} does not fit 8 bits",
            cite=CITE,
            hint=f"Give 0 to {MOST_HOPS}",
        )
    for name, address in (("originator", mesh.originator), ("final", mesh.final)):
        if len(address) not in (SHORT, 8):
            raise RequestError(
                f"Mesh.{name} has {plural(len(address), 'octet')}, not 2 or 8", cite=CITE,
                hint="Give a short address or an EUI-64, most significant octet first",
            )  # fmt: skip
    deep = mesh.deep or mesh.hops_left >= DEEP
    originator, final = ORIGINATOR.best(mesh.originator), FINAL.best(mesh.final)
    MESH.write(
        writer,
        {
            "dispatch": 0b10,
            "v": originator.row.code,
            "f": final.row.code,
            "hops left": DEEP if deep else mesh.hops_left,
        },
    )
    if deep:
        writer.octets(
            bytes([mesh.hops_left]), "deep hops left", "hops left, in an octet of its own", CITE,
            "0 octets with fewer than 15 hops left", mesh.hops_left,
        )  # fmt: skip
    ORIGINATOR.write(writer, originator, mesh.originator)
    FINAL.write(writer, final, mesh.final)
