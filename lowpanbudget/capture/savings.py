"""What the shortest legal encoding of a datagram would have saved, by encoding it."""

from collections import OrderedDict

from lowpanbudget.capture.follow.decoding import Decoder
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.env import Env
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.mesh import BC0, MESH
from lowpanbudget.stack.convert import compress
from lowpanbudget.stack.split import split

_MOST_HELD = 4096
_MESH = {MESH.name, BC0.name}
_ROUTING = "6LoRH"
_GENERIC = "GHC"


class Savings:
    """Compares frames with the shortest form of what they carry.

    The shortest form uses no method that the frames themselves do not use: routing headers, generic compression and an
    elided checksum only where they are there already. Mesh headers stay. Datagrams with the same headers are encoded
    once.
    """

    def __init__(self, largest: int) -> None:
        self._largest = largest
        self._known: OrderedDict[tuple[object, ...], int] = OrderedDict()
        self._decoder: Decoder | None = None

    def of(self, sighting: Sighting, octets: int) -> int:
        """Return how many octets too many the frames had whose datagram this one completes.

        ``octets`` are those of this frame. Fragments before the last give 0.
        """
        shape, payload = sighting.shape, sighting.payload
        if shape is None or payload is None:
            return 0
        if sighting.datagram is None or len(sighting.datagram) < ipv6.OCTETS:
            return 0
        if sighting.decoder is not self._decoder:  # other contexts, other forms
            self._known.clear()
            self._decoder = sighting.decoder
        if len(sighting.parts) > 1:
            return self._of_fragments(sighting, sighting.datagram, octets - len(payload))
        if shape.tail is None:
            layers = shape.layer_bits(len(payload))
            return self._of_frame(sighting, sighting.datagram, layers, len(payload))
        # all headers of a shape are the same, and so is what they have too many
        known = shape.facts.get(self)
        if not isinstance(known, int):
            layers = shape.layer_bits(len(payload))
            known = self._of_frame(sighting, sighting.datagram, layers, len(payload))
            shape.facts[self] = known
        return known

    def _of_frame(
        self, sighting: Sighting, datagram: bytes, layers: dict[str, int], payload: int
    ) -> int:
        shape = sighting.shape
        assert shape is not None
        options = {
            "elide_udp_checksum": shape.example.checksum_elided,
            "ghc": any(_GENERIC in name for name in layers),
            "lorh": any(_ROUTING in name for name in layers),
        }
        front = _front(datagram, generic=options["ghc"])
        key = (front, sighting.source, sighting.destination, *options.values())
        grown = self._known.get(key)  # octets of the shortest form beyond those of the datagram
        if grown is None:
            try:
                grown = len(compress(datagram, _env(sighting), **options).octets) - len(datagram)
            except RequestError:
                return 0
            self._keep(key, grown)
        carried = payload - sum(layers.get(name, 0) for name in _MESH) // 8
        return max(carried - grown - len(datagram), 0)

    def _of_fragments(self, sighting: Sighting, datagram: bytes, around: int) -> int:
        """Return the same for all fragments together; each frame has ``around`` octets around its payload."""
        shape = sighting.shape
        if shape is None or not isinstance(shape.example.fragment, Fragment):
            return 0  # recoverable fragments are cut from the compressed form
        actual = sum(part.octets + around for part in sighting.parts)
        front = _front(datagram, generic=False)
        key = (front, len(datagram), around, actual, sighting.source, sighting.destination)
        known = self._known.get(key)
        if known is None:
            try:
                pieces = split(datagram, _env(sighting), room=self._largest - around)
                known = max(actual - sum(map(len, pieces)) - around * len(pieces), 0)
            except RequestError:
                known = 0
            self._keep(key, known)
        return known

    def _keep(self, key: tuple[object, ...], value: int) -> None:
        self._known[key] = value
        if len(self._known) > _MOST_HELD:
            self._known.popitem(last=False)


def _front(datagram: bytes, *, generic: bool) -> bytes:
    """Return the octets of a datagram that decide how long its compressed headers are: all but lengths, at most."""
    if generic or datagram[6] not in (ipv6.UDP, ipv6.ICMPV6):
        return datagram
    if datagram[6] == ipv6.ICMPV6:
        return datagram[:4] + datagram[6 : ipv6.OCTETS]
    length = int.from_bytes(datagram[44:46], "big")
    fits = length == len(datagram) - ipv6.OCTETS  # or the UDP header stays as it is
    return datagram[:4] + datagram[6:44] + bytes([fits])


def _env(sighting: Sighting) -> Env:
    decoder = sighting.decoder
    return Env(
        sighting.source,
        sighting.destination,
        None,
        decoder.contexts,
        decoder.root,
        decoder.rpi_type,
    )
