"""Messages of a design weighed: what each field costs and gives, and the smaller messages within its tolerances."""

from lowpanbudget.arguments import whole_number
from lowpanbudget.design.meaning import Design
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.shrink import Candidate, bit_packed, shrink
from lowpanbudget.payload.search.worth import Worth, worths
from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class Weighing:
    """What the fields of one message cost and give.

    ``octets`` are those of the greatest message, in its ``layout``; ``fields`` tell each field that holds a value,
    in the order of the message. ``smaller`` are messages that stay within the tolerances of the design, by the smallest
    loss; the first is the message as it is. ``wanted`` is the size that was asked for, and ``reached`` whether one of
    them is that small. ``bit_packed`` are the same of the message without the bits that fill up its fields, as far
    as that is smaller; the first takes all values that the message takes, with the changes that this needs beside the
    layout. Nothing where its layout is that already, or saves nothing.
    """

    message: str
    layout: str
    octets: int
    wanted: int | None
    reached: bool
    fields: tuple[Worth, ...]
    smaller: tuple[Candidate, ...]
    bit_packed: tuple[Candidate, ...]


def weigh(
    design: Design, message: str | None = None, *, octets: int | None = None
) -> tuple[Weighing, ...]:
    """Return a ``Weighing`` of the message of this name, or of all messages of a design.

    Costs are found by taking a field out and packing the greatest message again. With ``octets``, the size to reach,
    ``smaller`` holds the message as it is and the smallest loss that is enough; all of them where none is: so does
    ``bit_packed``. Raises
    ``RequestError`` for what is no design, a message that it does not have, or a size that is no number.
    """
    design = Design.of(design)
    if octets is not None:
        octets = whole_number(octets, "octets", 1)
    chosen = design.messages if message is None else (design.message(message),)
    return tuple(_weighing(form, octets) for form in chosen)


def _weighing(form: Message, wanted: int | None) -> Weighing:
    front, closer = shrink(form), bit_packed(form)
    reached = wanted is None or front[-1].octets <= wanted
    if closer and closer[0].octets >= front[0].octets and closer[-1].octets >= front[-1].octets:
        closer = ()
    fields = worths(form)
    front, closer = _enough(front, wanted), _enough(closer, wanted)
    return Weighing(form.name, form.layout, form.max_octets, wanted, reached, fields, front, closer)


def _enough(front: tuple[Candidate, ...], wanted: int | None) -> tuple[Candidate, ...]:
    """Return the message as it is, and the smallest loss that is enough where one is; all where none is."""
    if wanted is None or not front or front[-1].octets > wanted:
        return front
    first = next(index for index, candidate in enumerate(front) if candidate.octets <= wanted)
    return (front[0], front[first]) if first else front[:1]
