"""Mutations without a guide: octets changed, gone, doubled, put in; parts of other inputs of the same entry."""

import random
from collections.abc import Sequence

FAVOURED = (0, 1, 0x7F, 0x80, 0xFF)


def mutated(rng: random.Random, inputs: Sequence[bytes]) -> bytes:
    """Return one of the inputs with a few changes."""
    octets = bytearray(rng.choice(inputs))
    for _ in range(rng.choice((1, 1, 2, 4))):
        at, some = int(rng.random() * (len(octets) + 1)), int(rng.random() * 8) + 1
        what = int(rng.random() * 7)
        if what == 0 and at < len(octets):
            octets[at] ^= 1 << (some - 1)
        elif what == 1 and at < len(octets):
            octets[at] = int(rng.random() * 256)
        elif what == 2 and at < len(octets):
            octets[at] = rng.choice(FAVOURED)
        elif what == 3:
            del octets[at : at + some]
        elif what == 4:
            octets[at:at] = octets[at : at + 4 * some]
        elif what == 5:
            octets[at:at] = rng.randbytes(some)
        else:
            other = rng.choice(inputs)
            place = int(rng.random() * (len(other) + 1))
            octets[at:at] = other[place : place + 4 * some]
    return bytes(octets)
