"""How the datagram of a frame would look in its shortest form, and which fields make the difference."""

from collections import Counter
from collections.abc import Mapping, Sequence
from ipaddress import IPv6Address
from typing import Any, NamedTuple

from lowpanbudget.bits import Nature, Span
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.env import Env
from lowpanbudget.errors import RequestError, WireError, plural
from lowpanbudget.fields import Restored
from lowpanbudget.layers.internet import chain, ipv6, udp
from lowpanbudget.layers.link.mac import LARGEST_FRAME
from lowpanbudget.layers.link.phy import largest_beside, why_largest
from lowpanbudget.layers.lowpan import lorh
from lowpanbudget.layers.lowpan.extension_nhc import ExtensionNhc
from lowpanbudget.layers.lowpan.ghc_headers import PAYLOADS, Icmpv6Nhc, code_size
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.mesh import Broadcast, Mesh
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.stack.convert import compress
from lowpanbudget.stack.frame import Frame, decode_lowpan
from lowpanbudget.stack.split import split
from lowpanbudget.stack.uncompressed import restored
from lowpanbudget.values import dataclass

BYTE_CODE = "the shortest byte code for it"
AS_IT_IS = "as it is: byte code for it is no shorter"


_LAST = {ipv6.UDP: udp.OCTETS, ipv6.FRAGMENT: chain.FRAGMENT.octets}  # that no other may follow


class Difference(NamedTuple):
    """A field whose size differs in the shortest form: its bits in line in both, and what restores it in the shortest.

    Where headers of one name are fewer or more in the shortest form, they are one difference. ``header`` is empty
    for what is no field: dispatches, forms, context numbers, headers of fragments; and the payload where byte code
    (RFC 7400) stands for it.
    """

    header: str
    name: str
    here: int
    shortest: int
    source: str
    cite: Cite | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """A datagram as it was sent beside its shortest form.

    ``here`` and ``shortest`` are octets of 6LoWPAN payload, in ``frames_here`` and ``frames_shortest`` frames;
    ``around`` are the octets around the payload of each frame. ``octets`` are the shortest form in one piece. The
    ``differences`` add up to that of the payload octets. Frames have ``largest`` octets at most; ``assumed``
    says why, where nothing but the frame tells of its PHY and it makes a difference. ``with_byte_code``: the frame has
    byte code (RFC 7400), and so may the shortest form.
    """

    here: int
    shortest: int
    frames_here: int
    frames_shortest: int
    around: int
    octets: bytes
    differences: tuple[Difference, ...]
    largest: int
    assumed: str
    with_byte_code: bool

    @property
    def saved(self) -> int:
        """Return how many octets the shortest form saves on the air."""
        return self.here - self.shortest + self.around * (self.frames_here - self.frames_shortest)


def compare(
    frame: Frame,
    contexts: Mapping[int, Any],
    datagram: bytes,
    *,
    root: IPv6Address | None = None,
    rpi_type: int = 0x63,
    pieces: Sequence[int] = (),
    largest: int | None = None,
    missing_fcs: int = 0,
) -> Comparison:
    """Return the comparison of a datagram as sent with its shortest form between the same link addresses.

    ``frame`` carried it, or its first fragment; ``pieces`` are then the octets of payload of all its fragments.
    ``largest`` is the octets of the largest frame; None: what the frame tells of its PHY, and as many as were sent.
    ``missing_fcs`` are the octets of FCS that a receiver took off. The shortest form elides a checksum, uses generic
    compression and short routing headers only where the frame does. Raises ``RequestError`` for a datagram that no form
    can carry, and where only a context that compresses no more made the form that was sent as short.
    """
    options = methods(frame)
    env = Env(frame.link_source, frame.link_destination, None, contexts, root, rpi_type)
    best = compress(datagram, env, **options).octets
    payload = len(frame.payload or b"")
    mesh = mesh_octets(frame)
    around = len(frame.octets) + missing_fcs - payload + mesh
    here = [count - mesh for count in pieces or (payload,)]
    assumed = ""
    if largest is None:
        sent = len(frame.octets) + missing_fcs, frame.fcs_octets
        largest, assumed = max(largest_beside(*sent), max(here) + around), why_largest(*sent)
    parts = [best]
    if len(here) > 1 or len(best) + around > largest:
        parts = split(datagram, env, room=largest - around, **options)
    there = [len(part) for part in parts]
    then, behind = decode_lowpan(parts[0], env), _behind_headers(datagram)
    forms = (
        _Form.of(restored(frame, contexts, datagram), frame, sum(here), behind),
        _Form.of(restored(then, contexts), then, sum(there), behind),
    )
    differences = _differences(*forms)
    if largest <= LARGEST_FRAME and len(here) == len(there) == 1:
        assumed = ""
    found = Comparison(
        sum(here),
        sum(there),
        len(here),
        len(there),
        around,
        best,
        tuple(differences),
        largest,
        assumed,
        options["ghc"],
    )
    if found.saved < 0 and (used := _receive_only(frame, env)):
        raise RequestError(
            f"the form that was sent uses {used}, which expands what comes and compresses no more: it ran out, or is "
            "announced so, and without it no form is as short",
            cite=rfc(6775, "5.4.3"),
        )
    return found


def _receive_only(frame: Frame, env: Env) -> str:
    """Return which contexts a frame was compressed with that only expand; nothing where there are none."""
    used = {cid for one in frame.layers if isinstance(one, Iphc) for cid in one.contexts}
    return " and ".join(
        f"context {cid} ({context.prefix})"
        for cid, context in env.contexts.items()
        if cid in used and not context.may_compress
    )


def methods(frame: Frame) -> dict[str, bool]:
    """Return the methods, as ``compress`` names them, that a frame uses and its shortest form may use."""
    return {
        # one that cannot be verified is carried
        "elide_udp_checksum": frame.checksum_elided
        and all(notice.name != "udp-checksum-unsure" for notice in frame.notices),
        "ghc": any(is_generic(layer) for layer in frame.layers),
        "lorh": any(isinstance(layer, lorh.RoutingHeader) for layer in frame.layers),
    }


def mesh_octets(frame: Frame) -> int:
    """Return the octets of mesh and broadcast headers, which stay in every form."""
    return sum(
        head.end - head.start for head in frame.heads if isinstance(head.value, Mesh | Broadcast)
    )


def is_generic(header: object) -> bool:
    """Return whether a header came with the generic compression of RFC 7400."""
    if isinstance(header, UdpNhc | ExtensionNhc):
        return header.generic
    return isinstance(header, Icmpv6Nhc)


class _Form(NamedTuple):
    """A form of a datagram: its headers, octets of byte code in its payload, and bits sent of payload and in all."""

    headers: Sequence[Restored]
    code: int
    payload: int
    bits: int

    @classmethod
    def of(cls, headers: Sequence[Restored], frame: Frame, octets: int, behind: int) -> "_Form":
        """Return the form with these headers, which stand in a frame; ``behind`` them the datagram has more octets."""
        code = code_size(frame.spans, Nature.PAYLOAD)
        return cls(
            headers, code.byte_code, 8 * (behind + code.byte_code - code.expanded), 8 * octets
        )

    @property
    def rest(self) -> int:
        """Return the bits that are neither fields nor payload."""
        return self.bits - self.payload - sum(s.bits for one in self.headers for s in one.spans)


def _differences(form: _Form, shortest: _Form) -> list[Difference]:
    here, there = form.headers, shortest.headers
    keyed_here, keyed_there = _by_field(here), _by_field(there)
    counts = Counter(head.name for head in here), Counter(head.name for head in there)
    regrouped = {name for name in counts[0] if 0 < counts[1][name] != counts[0][name]}
    differences = []
    for name in sorted(regrouped):  # a field of the one form has no like in the other
        before, after = (
            sum(span.bits for key, span in keyed.items() if key[0] == name)
            for keyed in (keyed_here, keyed_there)
        )
        cite = next(span.cite for key, span in keyed_there.items() if key[0] == name)
        words = f"{plural(counts[0][name], 'header')} here, {counts[1][name]} then"
        differences.append(Difference(name, "headers", before, after, words, cite))
    for key in [*keyed_here, *(key for key in keyed_there if key not in keyed_here)]:
        if key[0] in regrouped:
            continue
        ours, best = keyed_here.get(key), keyed_there.get(key)
        before, after = (0 if span is None else span.bits for span in (ours, best))
        if before != after:
            span = best or ours
            assert span is not None
            source = "carried in another form" if best is None else best.source
            differences.append(Difference(key[0], span.name, before, after, source, span.cite))
    if form.payload != shortest.payload:
        words = BYTE_CODE if shortest.code else AS_IT_IS
        sizes = form.payload, shortest.payload
        differences.append(Difference("", "payload", *sizes, words, PAYLOADS))
    if form.rest != shortest.rest:
        text = "dispatches, forms, context numbers and fragment headers together"
        differences.append(Difference("", text, form.rest, shortest.rest, "", None))
    return differences


def _behind_headers(datagram: bytes) -> int:
    """Return how many octets stand behind all headers that have their fields in a comparison."""
    end = ipv6.OCTETS
    try:
        for place in chain.walk(datagram):
            end = place.offset + _LAST.get(place.kind, 0)
    except WireError:
        pass  # what cannot be read is no header
    return max(len(datagram) - end, 0)


def _by_field(headers: Sequence[Restored]) -> dict[tuple[str, int, str], Span]:
    """Return the fields of restored headers by header name, place among the headers of that name, and field name."""
    return {
        (header.name, header.depth, span.name): span for header in headers for span in header.spans
    }
