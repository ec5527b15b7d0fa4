"""Messages of one format that another one reads as well, searched for by mending what it refuses.

Where fields do not lie at the same bits for a receiver, it refuses nearly all messages: of those that it reads, which
are all misread, drawn ones hardly ever are one. So layouts are drawn in which counts, options and sizes suit both
(``course``), and bits about the place that it refuses are turned, or become those of its own messages; the format of
the sender then says whether there is such a message, and what is refused next is next.
"""

from collections.abc import Iterator
from itertools import chain, islice
from random import Random
from typing import Any

from lowpanbudget.errors import WireError
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.course import drawn_messages
from lowpanbudget.payload.search.sampler import samples

_BEGINNINGS, _MENDS, _OWN = 64, 24, 24
_DRAWN, _FEW_MENDS = 240, 6  # that suit both but for codes without a value
_FEWEST, _OCTETS = 4, 10_000  # of long messages fewer are begun with
_NEAR = 3  # octets from the place of a fault on that a mend may change


def read_by_both(
    receiver: Message, sender: Message, renamed: dict[str, str], *, ignore_tail: bool
) -> Iterator[dict[str, Any]]:
    """Yield values of the sender whose messages the receiver does not refuse, the same ones each time."""
    random = Random(1)  # noqa: S311 - nothing secret is drawn
    own = [receiver.pack(values) for values in samples(receiver, _OWN)]
    beginnings = min(max(_OCTETS // max(sender.max_octets, 1), _FEWEST), _BEGINNINGS)
    drawn = drawn_messages(receiver, sender, renamed, ignore_tail=ignore_tail)
    begun = chain(own, map(sender.pack, samples(sender, beginnings)))
    for first, mends in chain(
        ((one, _FEW_MENDS) for one in islice(drawn, _DRAWN)), ((one, _MENDS) for one in begun)
    ):
        octets = first
        for _ in range(mends):
            try:
                sent = sender.unpack(octets, ignore_tail=True)
                octets = sender.pack(sent)
                receiver.unpack(octets, ignore_tail=ignore_tail)
            except WireError as fault:
                place = fault.offset or 0
            else:
                yield sent
                place = random.randrange(len(octets) or 1)
            octets = _mended(
                octets, min(place, max(len(octets) - 1, 0)), random.choice(own), random
            )


def _mended(octets: bytes, place: int, own: bytes, random: Random) -> bytes:
    """Return octets changed about a place: bits turned there or anywhere, octets drawn, or those of ``own``."""
    made, end = bytearray(octets or b"\0"), min(len(octets) or 1, place + _NEAR)
    how = random.randrange(10)
    if how < 6:
        first, last = (place, end) if how < 4 else (0, len(made))
        for _ in range(random.randint(1, 3)):
            made[random.randrange(first, last)] ^= 1 << random.randrange(8)
    elif how < 8:
        made[place:end] = random.randbytes(end - place)
    else:
        made[place : end if how < 9 else None] = own[place : end if how < 9 else None]
    return bytes(made) + bytes(random.choice((0, 0, 0, 0, 0, 1, 2)))
