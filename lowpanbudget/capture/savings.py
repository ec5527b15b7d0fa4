"""What the shortest legal encoding of a datagram would have saved, by encoding it."""

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.templates import Template
from lowpanbudget.capture.recent import Recent
from lowpanbudget.capture.tally_place import code_of
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.link.phy import largest_beside
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.stack.comparison import mesh_octets, methods
from lowpanbudget.stack.decoder import Decoder
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.packing import Options, pack_headers
from lowpanbudget.stack.split import split

_MOST_HELD = 4096


class Savings:
    """Compares frames with the shortest form of what they carry.

    The shortest form uses no method that the frames themselves do not use: routing headers, generic compression and an
    elided checksum only where they are there already. Mesh headers stay. Datagrams with the same headers are encoded
    once. ``largest`` is the octets of the design's largest frame; None where frames tell it themselves.
    """

    def __init__(self, largest: int | None) -> None:
        self._largest = largest
        self._known = Recent[tuple[object, ...], int](_MOST_HELD)
        self._decoder: Decoder | None = None

    def of(self, sighting: Sighting, octets: int) -> int:
        """Return how many octets too many the frames had whose datagram this one completes.

        ``octets`` are those of this frame. Fragments before the last give 0.
        """
        template, payload, datagram = sighting.template, sighting.payload, sighting.datagram
        if template is None or payload is None or datagram is None or len(datagram) < ipv6.OCTETS:
            return 0
        if sighting.decoder is not self._decoder:  # other contexts, other forms
            self._known.clear()
            self._decoder = sighting.decoder
        if len(sighting.parts) > 1:
            return self._of_fragments(sighting, datagram, octets - len(payload))
        # frames that are alike have the same headers, and the same too many
        known = template.facts.get(self)
        if not isinstance(known, int):
            known = template.facts[self] = self._of_frame(sighting, template, datagram)
        return known

    def _of_frame(self, sighting: Sighting, template: Template, datagram: bytes) -> int:
        frame = template.example
        options = methods(frame)
        front = (datagram,) if options["ghc"] else _front(datagram, template)
        key = (*front, frame.link_source, frame.link_destination, *options.values())
        grown = self._known.get(key)  # octets of the shortest form beyond those of the datagram
        if grown is None:
            env = sighting.decoder.env(frame.link_source, frame.link_destination)
            try:
                sent = Outgoing.read(datagram, frame.values)
                grown = pack_headers(sent, env, Options(**options)).cost(len(datagram)) - len(
                    datagram
                )
            except RequestError:
                return 0
            self._known[key] = grown
        carried = len(sighting.payload or b"") - mesh_octets(frame)
        return max(carried - grown - len(datagram), 0)

    def _of_fragments(self, sighting: Sighting, datagram: bytes, around: int) -> int:
        """Return the same for all fragments together; each frame has ``around`` octets around its payload."""
        example, template = sighting.example, sighting.headers_template
        if example is None or template is None or not isinstance(example.fragment, Fragment):
            return 0  # recoverable fragments are cut from the compressed form
        actual = sum([part.octets + around for part in sighting.parts])
        if code_of(template).byte_code:  # then all that they carry counts, not only their headers
            return self._of_pieces(sighting, template.example, datagram, around, actual)
        # first fragments that are alike have the same headers
        known = template.facts.setdefault(self, {})
        assert isinstance(known, dict)
        key = len(datagram), around, actual
        too_many = known.get(key)
        if too_many is None:
            too_many = self._of_pieces(sighting, template.example, datagram, around, actual)
            known[key] = too_many
        return int(too_many)

    def _of_pieces(
        self, sighting: Sighting, first: Frame, datagram: bytes, around: int, actual: int
    ) -> int:
        """Return by how many octets frames of ``actual`` ones in all are more than those of the shortest form."""
        sent = (
            len(first.payload or b"") + around
        )  # of the first fragment, which none is longer than
        largest = self._largest or max(sent, largest_beside(sent, sighting.fcs_octets))
        options, around = methods(first), around + mesh_octets(first)
        ends, room = (first.link_source, first.link_destination), largest - around
        key = (datagram, room, around, *ends, *options.values())
        shortest = self._known.get(key)
        if shortest is None:
            try:
                pieces = split(datagram, sighting.decoder.env(*ends), room=room, **options)
            except RequestError:
                return 0
            shortest = self._known[key] = sum(map(len, pieces)) + around * len(pieces)
        return max(actual - shortest, 0)


def _front(datagram: bytes, template: Template) -> tuple[object, ...]:
    """Return what decides how long a datagram's compressed headers are: its front without checksum, and its length."""
    upper = template.upper
    if upper is not None and upper.kind == ipv6.UDP:
        return datagram[: upper.offset + udp.CHECKSUM.start], len(datagram)
    if upper is not None and upper.kind == ipv6.ICMPV6:
        return datagram[: upper.offset], len(datagram)
    return (datagram,)
