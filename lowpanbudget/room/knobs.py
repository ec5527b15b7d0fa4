"""Turning knobs: each change is made alone, the frame encoded again, and the difference is the answer."""

from dataclasses import dataclass, field

from lowpanbudget.cites import Cite
from lowpanbudget.design.knobs import Variant, variants
from lowpanbudget.design.path import Path
from lowpanbudget.errors import LowpanError
from lowpanbudget.room.measure import room_of


@dataclass(frozen=True, slots=True)
class Saving:
    """What one change gives: ``gain`` octets of room (negative: it costs), for ``condition``, with ``caution``."""

    knob: str
    text: str
    gain: int
    cite: Cite
    condition: str = ""
    caution: str = ""
    stronger: bool = False
    path: Path | None = field(default=None, repr=False, compare=False)


def turn_all(path: Path, room: int) -> list[Saving]:
    """Return every change's gain over ``room``, best first; changes that cannot be made are left out."""
    found = [saving for variant in variants(path) if (saving := _turn(variant, room)) is not None]
    found.sort(key=lambda saving: -saving.gain)
    return found


def _turn(variant: Variant, room: int) -> Saving | None:
    try:
        gain = room_of(variant.path) - room
    except LowpanError:
        return None
    return Saving(
        variant.key,
        variant.text,
        gain,
        variant.cite,
        variant.condition,
        variant.caution,
        variant.stronger,
        variant.path,
    )


def best_together(path: Path, room: int, wanted: int, most: int = 4) -> list[Saving]:
    """Return the fewest changes that together give ``wanted`` octets of room; none if they cannot.

    Best first, each measured on top of the last. Changes that weaken protection are never among
    them.
    """
    chosen: list[Saving] = []
    while room < wanted and len(chosen) < most:
        advice = [
            saving for saving in turn_all(path, room) if saving.gain > 0 and not saving.caution
        ]
        if not advice:
            return []
        enough = [saving for saving in advice if room + saving.gain >= wanted]
        best = enough[-1] if enough else advice[0]  # the least change that is enough
        assert best.path is not None
        chosen.append(best)
        room, path = room + best.gain, best.path
    return chosen if room >= wanted else []
