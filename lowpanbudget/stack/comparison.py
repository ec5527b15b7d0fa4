"""How the datagram of a frame would look in its shortest form, and which fields make the difference."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from ipaddress import IPv6Address
from typing import Any, NamedTuple

from lowpanbudget.cites import Cite
from lowpanbudget.env import Env
from lowpanbudget.layers.link.mac import LARGEST_FRAME
from lowpanbudget.layers.lowpan.mesh import BC0, MESH
from lowpanbudget.stack.convert import compress
from lowpanbudget.stack.frame import Frame, decode_lowpan
from lowpanbudget.stack.restored import restored
from lowpanbudget.stack.restoring import Restored
from lowpanbudget.stack.split import split

_MESH = {MESH.name, BC0.name}
_ROUTING, _GENERIC = "6LoRH", "GHC"


class Difference(NamedTuple):
    """A field that takes other room in the shortest form: bits in line here and there, and where it comes from there.

    ``header`` is empty for what is no field: dispatches, forms, context numbers, headers of fragments.
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
    ``differences`` add up to that of the payload octets.
    """

    here: int
    shortest: int
    frames_here: int
    frames_shortest: int
    around: int
    octets: bytes
    differences: tuple[Difference, ...]

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
    largest: int = LARGEST_FRAME,
) -> Comparison:
    """Return a datagram beside its shortest form between the same link addresses.

    ``frame`` carried it, or its first fragment; ``pieces`` are then the octets of payload of all its fragments.
    ``largest`` is the octets of the largest frame. The shortest form elides a checksum, uses generic compression and
    short routing headers only where the frame does. Raises ``RequestError`` for a datagram that no form can carry.
    """
    layers = {span.layer for span in frame.spans}
    options = {
        # one that cannot be verified is carried
        "elide_udp_checksum": frame.checksum_elided
        and all(notice.name != "udp-checksum-unsure" for notice in frame.notices),
        "ghc": any(_GENERIC in layer for layer in layers),
        "lorh": any(_ROUTING in layer for layer in layers),
    }
    env = Env(frame.link_source, frame.link_destination, None, contexts, root, rpi_type)
    best = compress(datagram, env, **options).octets
    payload = len(frame.payload or b"")
    mesh = sum(span.bits for span in frame.spans if span.layer in _MESH) // 8
    around = len(frame.octets) - payload + mesh
    here = [count - mesh for count in pieces or (payload,)]
    there = [len(best)]
    if len(here) > 1 or len(best) + around > largest:
        there = [len(part) for part in split(datagram, env, room=largest - around, **options)]
    differences = _differences(
        restored(frame, contexts, datagram), restored(decode_lowpan(best, env), contexts),
        sum(here) * 8, sum(there) * 8,
    )  # fmt: skip
    return Comparison(
        sum(here), sum(there), len(here), len(there), around, best, tuple(differences)
    )


def _differences(
    here: Sequence[Restored], there: Sequence[Restored], bits_here: int, bits_there: int
) -> list[Difference]:
    keyed_here, keyed_there = ({one[:3]: one for one in fields} for fields in (here, there))
    found = []
    for key in [*keyed_here, *(key for key in keyed_there if key not in keyed_here)]:
        ours, best = keyed_here.get(key), keyed_there.get(key)
        before, after = (0 if one is None else one.carried for one in (ours, best))
        if before != after:
            told = best or ours
            assert told is not None
            source = "carried in another form" if best is None else best.source
            found.append(Difference(told.header, told.name, before, after, source, told.cite))
    rest_here = bits_here - sum(one.carried for one in here)
    rest_there = bits_there - sum(one.carried for one in there)
    if rest_here != rest_there:
        # what stands behind the headers is the same in both and no form
        forms = max(rest_here - rest_there, 0), max(rest_there - rest_here, 0)
        text = "dispatches, forms, context numbers and fragment headers together"
        found.append(Difference("", text, *forms, "", None))
    return found
