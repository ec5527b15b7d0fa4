"""Flows of a design whose messages no frame carries, not even empty ones, and bursts that no datagram holds."""

from collections.abc import Iterable, Iterator, Sequence

from lowpanbudget.design.path import FlowPath
from lowpanbudget.errors import DoesNotFit, LowpanError, plural
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.flaws import Path as FlawPath


def frame_flaws(flows: Iterable[tuple[FlawPath, Sequence[FlowPath]]]) -> Iterator[Flaw]:
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


def burst_octet_flaws(bursts: Iterable[tuple[int, Sequence[FlowPath]]]) -> Iterator[Flaw]:
    """Yield a flaw for each burst whose packets no datagram holds, with the most that one does.

    ``bursts`` are the octets of a packet and the hops that it is sent over, in the order of the design file.
    """
    for index, (octets, hops) in enumerate(bursts):
        for path in hops:
            why = _too_large(path, octets)
            if why is None or _too_large(path, 0) is not None:
                continue  # where not even nothing goes the flow is wrong
            most = min(_largest(each, octets) for each in hops)
            yield Flaw(
                ("burst", index, "octets"), why.message, f"Up to {most} go in one datagram of flow {path.flow.name!r}"
            )  # fmt: skip
            break


def _largest(path: FlowPath, octets: int) -> int:
    """Return the largest payload of no more than so many octets that can be sent."""
    low, high = 0, octets
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if _too_large(path, middle) is None else (low, middle - 1)
    return low


def _too_large(path: FlowPath, octets: int) -> LowpanError | None:
    """Return why such a payload cannot be sent, None where it can."""
    try:
        path.count(octets)
    except LowpanError as error:
        return error
    return None
