"""Messages of a design weighed: what each field costs and gives, and the smaller messages within its tolerances."""

from lowpanbudget.arguments import whole_number
from lowpanbudget.design.meaning import Design
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.shrink import Candidate, shrink
from lowpanbudget.payload.search.worth import Worth, worths
from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class Weighing:
    """What the fields of one message cost and give.

    ``octets`` are those of the greatest message, in its ``layout``; ``fields`` tell each field that holds a value,
    in the order of the message. ``smaller`` are messages that stay within the tolerances of the design, by the smallest
    loss; the first is the message as it is. ``wanted`` is the size that was asked for, and ``reached`` whether one of
    them is that small.
    """

    message: str
    layout: str
    octets: int
    wanted: int | None
    reached: bool
    fields: tuple[Worth, ...]
    smaller: tuple[Candidate, ...]


def weigh(
    design: Design, message: str | None = None, *, octets: int | None = None
) -> tuple[Weighing, ...]:
    """Return a ``Weighing`` of the message of this name, or of all messages of a design.

    Costs are found by taking a field out and packing the greatest message again. With ``octets``, the size to reach,
    ``smaller`` holds the message as it is and the smallest loss that is enough; all of them where none is. Raises
    ``RequestError`` for what is no design, a message that it does not have, or a size that is no number.
    """
    design = Design.of(design)
    if octets is not None:
        octets = whole_number(octets, "octets", 1)
    chosen = design.messages if message is None else (design.message(message),)
    return tuple(_weighing(form, octets) for form in chosen)


def _weighing(form: Message, wanted: int | None) -> Weighing:
    front = shrink(form)
    reached = wanted is None or front[-1].octets <= wanted
    if wanted is not None and reached:
        enough = [candidate for candidate in front[1:] if candidate.octets <= wanted]
        front = (front[0], *enough[:1]) if front[0].octets > wanted else front[:1]
    return Weighing(form.name, form.layout, form.max_octets, wanted, reached, worths(form), front)
