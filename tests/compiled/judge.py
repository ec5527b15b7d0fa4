"""What Python and construct say of values and of octets: the cases that generated C is held against."""

import ctypes
import math
from dataclasses import dataclass, field
from random import Random
from typing import Any, NamedTuple

import construct
from payload.c_library import Header, Meaningless, Structures, Undefined, alike, without_places

from lowpanbudget.errors import RequestError, Truncated, WireError
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.sampler import edges, samples

DRAWN = 8  # values of a format besides the least, the typical and the greatest
EDGES = 6  # values with a field at an edge
GARBLED = 3  # wrong octets made of each right ones
BENT = 12  # structures with one member changed
ASKED = 6  # values and octets that construct is asked about
_ENDS = "the message ends here"


class Said(NamedTuple):
    """What Python says of octets: right, or short, long, or which field is wrong."""

    kind: str
    path: str = ""
    values: Any = None
    used: int = 0


@dataclass
class Plan:
    """A format with values, their octets, and wrong octets, each with what Python says."""

    message: Message
    values: list[tuple[dict[str, Any], bytes]] = field(default_factory=list)
    octets: list[tuple[bytes, Said]] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    asked: int = 0


def planned(message: Message, random: Random) -> Plan:
    """Return the cases of a format; where Python and construct differ is in ``faults``."""
    plan = Plan(message)
    some = list(samples(message, DRAWN, seed=random.getrandbits(32)))
    others = list(edges(message))
    for values in [*some, *random.sample(others, min(EDGES, len(others)))]:
        octets = message.pack(values)
        plan.values.append((values, octets))
        if not alike(tidy(message.unpack(octets)), tidy(values)):
            plan.faults.append(f"Python reads {octets.hex()} as other values than {values}")
        plan.octets.append((octets, said(message, octets)))
        for _ in range(GARBLED):
            wrong = garbled(octets, random)
            plan.octets.append((wrong, said(message, wrong)))
    ask_construct(plan, random)
    return plan


def said(message: Message, octets: bytes) -> Said:
    """Return what Python says of octets."""
    try:
        values = message.unpack(octets)
    except Truncated:
        return Said("short")
    except WireError as fault:
        if fault.message.startswith(_ENDS):
            rest = message.unpack(octets, ignore_tail=True)
            return Said("long", values=rest, used=fault.offset or 0)
        return Said("field", without_places(path_of(fault.message)))
    return Said("right", values=values, used=len(octets))


def path_of(text: str) -> str:
    """Return the path in the text of a fault."""
    return text.rpartition("field ")[2].split(" ")[0]


def garbled(octets: bytes, random: Random) -> bytes:
    """Return octets cut, extended, with other bits, or wholly random."""
    kind = random.randrange(5)
    if kind == 0 and octets:
        return octets[: random.randrange(len(octets))]
    if kind == 1:
        return octets + random.randbytes(random.randint(1, 5))
    if kind <= 3 and octets:
        wrong = bytearray(octets)
        for _ in range(random.randint(1, 3)):
            wrong[random.randrange(len(wrong))] ^= 1 << random.randrange(8)
        return bytes(wrong)
    return random.randbytes(max(0, len(octets) + random.randint(-1, 3)))


def tidy(value: Any) -> Any:
    """Return values without what is absent, sequences as lists, as both libraries give them."""
    if isinstance(value, dict):
        return {
            key: tidy(part)
            for key, part in value.items()
            if part is not None and not str(key).startswith("_")
        }
    return [tidy(part) for part in value] if isinstance(value, list | tuple) else value


def ask_construct(plan: Plan, random: Random) -> None:
    """Hold the declaration for construct against Python, both ways."""
    form = plan.message.to_construct()
    for values, octets in random.sample(plan.values, min(ASKED, len(plan.values))):
        plan.asked += 1
        built = form.build(values)
        if built != octets:
            plan.faults.append(f"construct builds {built.hex()}, Python {octets.hex()}: {values}")
    for octets, verdict in random.sample(plan.octets, min(ASKED, len(plan.octets))):
        plan.asked += 1
        try:
            read = tidy(form.parse(octets))
        except construct.ConstructError as fault:
            if verdict.kind in {"right", "long"}:
                plan.faults.append(f"construct refuses {octets.hex()}: {fault}")
        else:
            if verdict.kind not in {"right", "long"}:
                plan.faults.append(f"construct reads {octets.hex()}, Python says {verdict}")
            elif not alike(read, tidy(verdict.values)):
                plan.faults.append(
                    f"construct reads {octets.hex()} as {read}, not {verdict.values}"
                )


def refused_by_construct(plan: Plan, values: Any, octets: bytes | None) -> None:
    """Hold values that may be out of range against construct as well."""
    plan.asked += 1
    try:
        built = plan.message.to_construct().build(values)
    except construct.ConstructError:
        if octets is not None:
            plan.faults.append(f"construct refuses {values}, Python does not")
        return
    if octets is None:
        plan.faults.append(f"construct builds {built.hex()} of {values}, Python refuses")
    elif built != octets:
        plan.faults.append(f"construct builds {built.hex()}, Python {octets.hex()}: {values}")


class Bent(NamedTuple):
    """A structure with one member changed, and what packing it must give: octets, or the path of what is wrong."""

    structure: Any
    octets: bytes | None
    path: str
    values: Any


def bent(plan: Plan, held: Structures, random: Random) -> Bent | None:
    """Return a structure with one member changed to what may have no meaning; None where nothing can be changed."""
    values, _ = random.choice(plan.values)
    structure = held.filled(values)
    places = list(members(structure, held.header))
    if not places:
        return None
    holder, key, truth = random.choice(places)
    change(holder, key, random, truth=truth)
    held.ended = False
    try:
        read = held.read(structure)
    except Undefined:
        return bent(plan, held, random)
    except Meaningless as fault:
        return Bent(structure, None, f"?{fault}", None)
    finally:
        held.ended = True
    try:
        octets = plan.message.pack(read)
    except RequestError as fault:
        return Bent(structure, None, without_places(path_of(fault.message)), read)
    if not held.floats and "nan" in repr(read):
        structure = held.filled(
            read
        )  # given as bits: of the many that are no number Python sends one
    return Bent(structure, octets, "", read)


def members(holder: Any, header: Header) -> Any:
    """Yield every member that holds a number: its holder, its name or index, and whether it is a truth."""
    for name, kind in holder._fields_:
        if name == "nothing":
            continue
        yield from _member(holder, name, kind, header, truth=name in holder.truths)


def _member(holder: Any, key: Any, kind: Any, header: Header, *, truth: bool) -> Any:
    if issubclass(kind, ctypes.Array):
        items = getattr(holder, key) if isinstance(key, str) else holder[key]
        for index in range(min(4, kind._length_)):
            yield from _member(items, index, kind._type_, header, truth=truth)
    elif hasattr(kind, "truths"):
        inner = getattr(holder, key) if isinstance(key, str) else holder[key]
        yield from members(inner, header)
    else:
        yield holder, key, truth


_NUMBERS = (math.nan, math.inf, -math.inf, 0.0, -0.0, 0.1, 65519.99, 65520.0, 1e300, 5e-324, -1e9)


def change(holder: Any, key: Any, random: Random, *, truth: bool) -> None:
    """Give one member another number: near its own, at an end of its type, or any."""
    old = getattr(holder, key) if isinstance(key, str) else holder[key]
    new: Any
    if truth:
        new = 1 - old
    elif isinstance(old, float):
        new = random.choice((*_NUMBERS, old * (1 + 2**-24), old * (1 - 2**-53), -old))
    else:
        new = random.choice((
            old + 1, old - 1, 0, -1, 1 << 7, 1 << 15, 1 << 31, 1 << 63, random.getrandbits(64),
            old ^ 1 << random.randrange(64),
        ))  # fmt: skip
    if isinstance(key, str):
        setattr(holder, key, new)
    else:
        holder[key] = new
