"""What a header is called where it is drawn or counted, and its place among the looks that pictures have for them."""

from collections.abc import Collection

# of a layer that has the name of its first word
_LABELS = {"security control": "security header"}

# In this order headers have looks and letters in all pictures; those that most frames have look most unlike.
PLACES = {
    layer: place
    for place, layer in enumerate(
        (
            "MAC", "security control", "IPHC", "UDP NHC", "CoAP", "OSCORE", "page switch", "RPI-6LoRH", "SRH-6LoRH",
            "CoAP inside OSCORE", "FRAG1", "FRAGN", "IP-in-IP-6LoRH", "NHC extension", "DTLS", "mesh", "ICMPv6", "UDP",
            "IPv6", "RFRAG",
        )
    )
}  # fmt: skip


def label_of(layer: str) -> str:
    """Return how the header of a layer is called."""
    return _LABELS.get(layer, layer)


def place_of(layer: str, taken: Collection[int], places: int) -> int:
    """Return a header's place among so many: its own, or the first behind it that is not ``taken``.

    One that has none of its own stands behind those that have, where there are more places; where all are taken, they
    come again in turn.
    """
    first = PLACES.get(layer, len(PLACES) if len(PLACES) < places else 0)
    every = (place % places for place in range(first, first + places))
    return next((place for place in every if place not in taken), len(taken) % places)
