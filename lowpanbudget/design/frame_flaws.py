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
        said: dict[str, tuple[list[str], str]] = {}  # by what is wrong: on which hops, and the hint
        for path in hops:
            try:
                path.count(0)
            except LowpanError as error:
                in_slot = path.link.in_slot
                if in_slot is not None and isinstance(error, DoesNotFit):
                    yield Flaw(
                        ("access", "slots"),
                        f"a slot has time for frames of {plural(in_slot, 'octet')} at most, {path.hop.name} hop of "
                        f"flow {path.flow.name}: {error.message}",
                        "Leave frames more time: max_frame_us, slot_us, or another template",
                    )
                    return
                said.setdefault(error.message, ([], error.hint))[0].append(path.hop.name)
        for message, (names, hint) in said.items():
            yield Flaw(place, f"{' and '.join(names)} hop: {message}", hint)
