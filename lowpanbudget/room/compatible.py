"""Two designs compared by their messages: what receivers of the old formats read from the new ones."""

from lowpanbudget.arguments import with_flags
from lowpanbudget.design.meaning import Design
from lowpanbudget.payload.search.compatible import FormatComparison, compare_all


@with_flags
def compatible(
    old: Design, new: Design, message: str | None = None, *, ignore_tail: bool = False
) -> tuple[FormatComparison, ...]:
    """Return a ``FormatComparison`` for the message of this name, or for every message of two designs.

    Every change is made alone, packed, and read with the old format. Where neither a message that is misread is found
    nor a proof that there is none, the outcome is ``may be misread``. ``ignore_tail``: all receivers ignore octets
    after their last field, as ``Message.unpack`` can, and what these misread is misread; else such messages are
    refused, and the words say what they would be misread as. Raises ``RequestError`` for what is no design, or
    a message that neither of them has.
    """
    old, new = Design.of(old), Design.of(new)
    before, after = old.messages, new.messages
    if message is not None:
        before = tuple(one for one in before if one.name == message)
        after = tuple(one for one in after if one.name == message)
        if not before and not after:
            old.message(message)  # raises, and names those that there are
    return compare_all(before, after, ignore_tail=ignore_tail)
