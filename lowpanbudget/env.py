"""What a header may know from outside itself: link addresses, contexts, the RPL root.

The link address of a frame becomes an interface identifier here, by the rule of RFC 6282 section 3.2.2 (and, to
recognise old senders, by that of RFC 4944 section 6).
"""

from collections.abc import Iterator, Mapping
from functools import lru_cache
from ipaddress import IPv6Address, IPv6Network
from typing import Any, NamedTuple

from lowpanbudget.arguments import flag, number_within
from lowpanbudget.errors import RequestError, plural, repeated
from lowpanbudget.shown import LINK_ADDRESS
from lowpanbudget.values import dataclass, field

IID_MASK = (1 << 64) - 1
SHORT_IID = 0x0000_00FF_FE00_0000  # RFC 6282 section 3.2.2: 0000:00ff:fe00:XXXX
RPI_TYPES = (0x63, 0x23)  # RFC 6553 section 3, RFC 9008 section 3
UNIVERSAL_LOCAL = 0x0200_0000_0000_0000  # RFC 4291 appendix A: inverted in an EUI-64's identifier


@dataclass(frozen=True, slots=True, init=False)
class Context:
    """A prefix shared by compressor and decompressor (RFC 6282 section 3, RFC 6775 section 4.2).

    ``prefix`` is an ``IPv6Network`` or its text, of any length 0 to 128. ``may_compress`` is the C flag of the 6LoWPAN
    context option: with False the prefix still expands, but the compressor leaves it alone. Raises ``RequestError`` for
    a prefix that cannot be read or has bits set beyond its length.
    """

    prefix: IPv6Network
    may_compress: bool
    value: int = field(repr=False, compare=False)
    mask: int = field(repr=False, compare=False)

    def __init__(self, prefix: IPv6Network | str, may_compress: bool = True) -> None:
        network = prefix if isinstance(prefix, IPv6Network) else _network(prefix)
        object.__setattr__(self, "prefix", network)
        object.__setattr__(self, "may_compress", flag(may_compress, "may_compress"))
        object.__setattr__(self, "value", int(network.network_address))
        object.__setattr__(self, "mask", int(network.netmask))

    def covers(self, address: IPv6Address) -> bool:
        """Return whether the address begins with the prefix."""
        if not isinstance(address, IPv6Address):
            raise RequestError(f"{repeated(address)} is no IPv6Address", hint="Give one")
        return int(address) & self.mask == self.value


@lru_cache(256)
def _read_context(prefix: str) -> Context:
    """Return the context of a prefix in text; the same few come with every frame that is decoded alone."""
    return Context(prefix)


class GoneContext(NamedTuple):
    """A context that held once: its ``prefix``, and ``why`` it holds no more, such as "ran out"."""

    prefix: IPv6Network
    why: str


class Contexts(Mapping[int, Context]):
    """A read-only table of contexts, id 0 to 15; every constructor in the package takes one unchanged."""

    __slots__ = ("_gone", "_hash", "_table")

    def __init__(self, table: "Mapping[int, Any] | None" = None) -> None:
        self._hash: int | None = None
        self._table: dict[int, Context] = {}
        self._gone: Mapping[int, GoneContext] = {}
        if table is not None and not isinstance(table, Mapping):
            raise RequestError(
                f"contexts is a mapping of ids to prefixes, not {type(table).__name__}",
                hint="Give contexts={0: '2001:db8::/64'}",
            )
        for number, prefix in (table or {}).items():
            given = number_within(number, 4)
            if given is None:
                raise RequestError(
                    f"context id {repeated(number)} is not a number from 0 to 15",
                    hint="RFC 6282 section 3.1.2 has four bits for it",
                )
            try:
                kept = _read_context(prefix) if isinstance(prefix, str) else prefix
                self._table[given] = kept if isinstance(kept, Context) else Context(kept)
            except RequestError as error:
                raise RequestError(f"context {given}: {error.message}", hint=error.hint) from None

    def __getitem__(self, number: int) -> Context:
        return self._table[number]

    def get(self, number: int, default: Any = None) -> Any:
        """Return the context of a number, or the default; without a detour over an exception."""
        return self._table.get(number, default)

    def gone(self, number: int) -> GoneContext | None:
        """Return what is known of a context that holds no more; None where nothing is."""
        return self._gone.get(number)

    def after(self, gone: Mapping[int, GoneContext]) -> "Contexts":
        """Return the same table, which also tells what became of others; tables are equal whatever they tell."""
        table = Contexts(self)
        table._gone = dict(gone)
        return table

    def __iter__(self) -> Iterator[int]:
        return iter(self._table)

    def __len__(self) -> int:
        return len(self._table)

    def __eq__(self, other: object) -> bool:
        # asked for, as the hash is, with every path that is looked up
        if isinstance(other, Contexts):
            return self._table == other._table
        return Mapping.__eq__(self, other)

    def __hash__(self) -> int:
        if self._hash is None:
            self._hash = hash(frozenset(self._table.items()))  # tables are equal in any order
        return self._hash

    def __repr__(self) -> str:
        rows = ", ".join(f"{number}: {context.prefix}" for number, context in self._table.items())
        return f"Contexts({{{rows}}})"

    @classmethod
    def of(cls, table: "Mapping[int, Any] | None") -> "Contexts":
        """Return ``table`` itself when it is a ``Contexts`` already, else a new one."""
        return table if isinstance(table, cls) else cls(table)


@dataclass(frozen=True, slots=True, init=False)
class Env:
    """What compression and expansion of a 6LoWPAN payload depend on beside its octets.

    ``source`` and ``destination`` are link addresses, most significant octet first, as bytes or hex text of 2, 6 or 8
    octets, or None when unknown. ``pan_id`` serves only to recognise RFC 4944's old interface identifiers. ``contexts``
    maps an id to a prefix (text, ``IPv6Network`` or ``Context``). ``root`` is the RPL root's address, the reference of
    RFC 8138's compressed addresses; ``rpi_type`` the option type of RFC 9008 (0x63 or 0x23). Raises ``RequestError``
    naming the argument that cannot be used.
    """

    source: bytes | None = field(metadata=LINK_ADDRESS)
    destination: bytes | None = field(metadata=LINK_ADDRESS)
    pan_id: int | None
    contexts: Contexts
    root: IPv6Address | None
    rpi_type: int

    def __init__(
        self,
        source: bytes | str | None = None,
        destination: bytes | str | None = None,
        pan_id: int | None = None,
        contexts: Mapping[int, Any] | None = None,
        root: IPv6Address | str | None = None,
        rpi_type: int = 0x63,
    ) -> None:
        pan = None if pan_id is None else number_within(pan_id, 16)
        if pan is None is not pan_id:
            raise RequestError(f"pan_id {repeated(pan_id)} is not a 16-bit number")
        if number_within(rpi_type, 8) not in RPI_TYPES:
            raise RequestError(
                f"rpi_type {repeated(rpi_type)} is neither 0x63 nor 0x23",
                hint="RFC 6553 section 3 defines 0x63; RFC 9008 section 3 adds 0x23",
            )
        for name, value in (
            ("source", None if source is None else link_address(source, "source")),
            (
                "destination",
                None if destination is None else link_address(destination, "destination"),
            ),
            ("pan_id", pan),
            ("contexts", Contexts.of(contexts)),
            ("root", None if root is None else address(root, "root")),
            ("rpi_type", int(rpi_type)),
        ):
            object.__setattr__(self, name, value)

    @classmethod
    def of(cls, env: "Env | None") -> "Env":
        """Return ``env`` itself, or an empty one for None; ``RequestError`` for anything else."""
        if env is None:
            return cls()
        if not isinstance(env, cls):
            raise RequestError(
                f"an Env is needed, not {type(env).__name__}",
                hint="Give Env(source=..., destination=..., contexts={...})",
            )
        return env

    @classmethod
    def carried(
        cls,
        source: bytes | None,
        destination: bytes | None,
        pan_id: int | None,
        contexts: Contexts,
        root: IPv6Address | None,
        rpi_type: int,
    ) -> "Env":
        """Return surroundings with addresses that a header carried; they are not checked again."""
        env = object.__new__(cls)
        _put_source(env, source)
        _put_destination(env, destination)
        _put_pan_id(env, pan_id)
        _put_contexts(env, contexts)
        _put_root(env, root)
        _put_rpi_type(env, rpi_type)
        return env

    def between(self, source: bytes | None, destination: bytes | None) -> "Env":
        """Return the same surroundings between two other link addresses, which a header has carried."""
        return Env.carried(
            None if source is None else link_address(source, "source"),
            None if destination is None else link_address(destination, "destination"),
            self.pan_id, self.contexts, self.root, self.rpi_type,
        )  # fmt: skip


# every frame has surroundings of its own: their slots are filled directly
_put_source, _put_destination, _put_pan_id, _put_contexts, _put_root, _put_rpi_type = (
    vars(Env)[slot].__set__
    for slot in ("source", "destination", "pan_id", "contexts", "root", "rpi_type")
)


@lru_cache(2048)  # every frame asks for those of its ends
def interface_identifier(link: bytes | None) -> int | None:
    """Return the 64-bit identifier that RFC 6282 section 3.2.2 derives from a link address, or None.

    2 octets become 0000:00ff:fe00:XXXX; 8 octets are an EUI-64 whose universal/local bit is inverted; 6 octets (an
    EUI-48, as on Ethernet) get ff:fe in the middle first (RFC 2464 section 4).
    """
    if link is None:
        return None
    octets = len(link)
    if octets == 2:
        return SHORT_IID | int.from_bytes(link, "big")
    if octets == 6:
        link = link[:3] + b"\xff\xfe" + link[3:]
    return int.from_bytes(link, "big") ^ UNIVERSAL_LOCAL


def link_of_identifier(identifier: int, octets: int) -> bytes | None:
    """Return the link address of 2 or 8 octets that an identifier is made of; None where it is made of no such."""
    is_short = identifier >> 16 == SHORT_IID >> 16
    if is_short != (octets == 2):
        return None
    link = identifier & 0xFFFF if is_short else identifier ^ UNIVERSAL_LOCAL
    return link.to_bytes(octets, "big")


def old_interface_identifier(pan_id: int, link: bytes) -> int:
    """Return the identifier of RFC 4944 section 6 for a 16-bit address: PAN ID, 00ff:fe00, address.

    "the "Universal/Local" (U/L) bit SHALL be set to zero in keeping with the fact that this is not a globally unique
    value".
    """
    return ((pan_id & 0xFDFF) << 48) | SHORT_IID | int.from_bytes(link, "big")


def link_address(value: object, name: str) -> bytes:
    """Return a link address as bytes, of bytes or hex text of 2, 6 or 8 octets; ``RequestError`` names ``name``."""
    octets: bytes
    if isinstance(value, str):
        try:
            octets = bytes.fromhex(value.removeprefix("0x").replace(":", "").replace("-", ""))
        except ValueError:
            raise RequestError(
                f"{name} {repeated(value)} is not a link address",
                hint="Give 2, 6 or 8 octets in hex, most significant first",
            ) from None
    elif isinstance(value, bytes | bytearray | memoryview):
        octets = bytes(value)
    else:
        raise RequestError(
            f"{name} {repeated(value)} is not a link address: bytes or hex text is needed"
        )
    if len(octets) not in (2, 6, 8):
        raise RequestError(
            f"{name} has {plural(len(octets), 'octet')}",
            hint="A link address has 2 (short), 6 (EUI-48) or 8 (extended) octets",
        )
    return octets


def link_text(link: bytes | None) -> str:
    """Return a link address as it is shown and asked for everywhere: ``0x0012``, or octets with colons."""
    if link is None:
        return "an unnamed node"
    return f"0x{link.hex()}" if len(link) == 2 else link.hex(":")


def address(value: Any, name: str) -> IPv6Address:
    """Return an IPv6 address from text, 16 octets or an ``IPv6Address``; ``RequestError`` names ``name``."""
    hint = "Give one such as 2001:db8:1::1"
    try:
        if not isinstance(value, int):  # a number is no address that anyone wrote down
            read = value if isinstance(value, IPv6Address) else IPv6Address(value)
            if read.scope_id is None:
                return read
            # RFC 4007 section 11, from memory; addresses that differ in it alone are not the same to Python
            hint = f"Give {IPv6Address(int(read))}: a zone (%) means one node's link and is in no packet"
    except ValueError:
        pass
    raise RequestError(f"{name} {repeated(value)} is not an IPv6 address", hint=hint)


def _network(value: object) -> IPv6Network:
    hint = "Give prefix/length, such as 2001:db8:1::/64"
    text = (
        value if isinstance(value, str) else ""
    )  # of a number Python makes an address of 128 bits
    try:
        network = IPv6Network(text if "%" not in text else "")
    except ValueError as error:
        if "host bits" in str(error):
            meant = IPv6Network(text, strict=False)
            hint = f"Bits beyond the length are set; did you mean {meant}?"
        elif text.count("::") > 1:
            hint = "Two colons (::) may stand once: else nobody knows how many zeros each is (RFC 4291 section 2.2)"
        raise RequestError(f"{repeated(value)} is not an IPv6 prefix", hint=hint) from None
    if "/" not in text:
        hint = f"Give {value}/64, or {value}/128 for one whole address"
        raise RequestError(f"the prefix {value} has no length", hint=hint)
    return network
