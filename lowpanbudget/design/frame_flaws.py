"""Flows of a design whose messages no frame carries, not even empty ones."""

from collections.abc import Iterable, Iterator, Sequence

from lowpanbudget.design.path import Path
from lowpanbudget.errors import DoesNotFit, LowpanError, plural
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.flaws import Path as FlawPath


def frame_flaws(flows: Iterable[tuple[FlawPath, Sequence[Path]]]) -> Iterator[Flaw]:
    """Yield a flaw for each hop on which an empty message cannot be put in frames; ``flows`` with where they stand.

    Where a slot leaves too little it is one flaw of the slots, whichever flow tells it first.
    """
    for place, hops in flows:
        for path in hops:
            try:
                path.count(0)
            except LowpanError as error:
                in_slot, where = path.link.in_slot, f"{path.hop.name} hop"
                if in_slot is None or not isinstance(error, DoesNotFit):
                    yield Flaw(place, f"{where}: {error.message}", error.hint)
                    continue
                yield Flaw(
                    ("access", "slots"),
                    f"a slot has time for frames of {plural(in_slot, 'octet')} at most, {where} of flow "
                    f"{path.flow.name}: {error.message}",
                    "Leave frames more time: max_frame_us, or another template",
                )
                return
