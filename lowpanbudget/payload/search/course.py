"""Whether a receiver misreads a message of another format: each layout of that is followed through the receiver.

What it reads then is the field that was sent, code by code, or nothing comes of the message, because it is refused:
else nothing is proven, and neither is it where there are too many layouts.
"""

from collections.abc import Iterator, Sequence
from functools import partial
from random import Random
from typing import Literal

from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.extents import presence_width
from lowpanbudget.payload.search.front import behind_front
from lowpanbudget.payload.search.layouts import Stretch
from lowpanbudget.payload.search.received import ReceivedLayout
from lowpanbudget.payload.search.same import SameValues, code_of
from lowpanbudget.payload.search.sent import Known, SentLayout
from lowpanbudget.payload.search.ways import NotFollowed, Ways

_OCTET = 8
_LAYOUTS = 200  # that are drawn, where nothing is proven
_SHARE = 5000  # of the work, for the ways through one of them
_ONES = (0, 0.1, 0.5)  # the shares of ones among bits that are not certain


def are_read_right(
    receiver: Message, sender: Message, renamed: dict[str, str], *, ignore_tail: bool
) -> bool | None:
    """Return whether messages of any layout may be read, and are right then; None where that is not proven."""
    if receiver.order.bit_order != sender.order.bit_order:
        return None
    behind = behind_front(receiver, sender, renamed)
    found = _are_read_right(behind, renamed, ignore_tail=ignore_tail)
    if found is None and len(behind) > 1:  # perhaps nothing begins at some of the bits
        return _are_read_right(_whole(receiver, sender), renamed, ignore_tail=ignore_tail)
    return found


def refused_layout(
    receiver: Message, sender: Message, renamed: dict[str, str], *, ignore_tail: bool
) -> str | None:
    """Return in words a layout of which no message is read; nothing where there is none, None where nobody can tell."""
    if receiver.order.bit_order != sender.order.bit_order:
        return None
    found = _refused_layout(_whole(receiver, sender), renamed, ignore_tail=ignore_tail)
    if found is not None:
        return found
    return _refused_layout(
        behind_front(receiver, sender, renamed), renamed, ignore_tail=ignore_tail
    )


def _whole(receiver: Message, sender: Message) -> list[tuple[Stretch, Stretch]]:
    ours, theirs = (
        Stretch(one.fields, one.order, presence_width(one.fields, one.order))
        for one in (receiver, sender)
    )
    return [(ours, theirs)]


def _are_read_right(
    behind: list[tuple[Stretch, Stretch]], renamed: dict[str, str], *, ignore_tail: bool
) -> bool | None:
    are_any, work = False, Ways().work
    try:
        for stretches in behind:
            for _sent, reads in _followed(*stretches, renamed, work, ignore_tail=ignore_tail):
                for read in reads:
                    are_any = True
                    if read.is_wrong:
                        return None
    except NotFollowed:
        return None
    return are_any


def _refused_layout(
    behind: list[tuple[Stretch, Stretch]], renamed: dict[str, str], *, ignore_tail: bool
) -> str | None:
    work, is_any_open = Ways().work, False
    try:
        for stretches in behind:
            for sent, reads in _followed(*stretches, renamed, work, ignore_tail=ignore_tail):
                if not any(reads):
                    return sent.words() or None if len(behind) == 1 else None
                is_any_open |= sent.beyond is not None  # of some lengths it may be refused
    except NotFollowed:
        return None
    return None if is_any_open else ""


def _followed(
    receiver: Stretch,
    sender: Stretch,
    renamed: dict[str, str],
    work: list[int],
    *,
    ignore_tail: bool,
) -> Iterator[tuple[SentLayout, Iterator[ReceivedLayout]]]:
    """Yield each layout that is sent, with all that a receiver makes of it and does not refuse."""
    sending, known = Ways(work), Known()
    same = SameValues(receiver, sender, renamed, sending)
    for sent in sending.each(lambda ways: SentLayout(sender, ways, known)):

        def read(ways: Ways, sent: SentLayout = sent) -> ReceivedLayout:
            return ReceivedLayout(receiver, ways, sent, same, ignore_tail=ignore_tail)

        yield sent, Ways(sending.work).each(read)


def drawn_messages(
    receiver: Message, sender: Message, renamed: dict[str, str], *, ignore_tail: bool
) -> Iterator[bytes]:
    """Yield octets in layouts of the sender that were drawn, as a receiver may read them, and wrong; the same ones.

    They are messages of the sender as long as its fields take the codes that stand there.
    """
    if receiver.order.bit_order != sender.order.bit_order:
        return
    random, known = Random(1), Known()  # noqa: S311 - nothing secret is drawn
    ((ours, theirs),) = _whole(receiver, sender)
    same = SameValues(ours, theirs, renamed, Ways(random=random))
    for _ in range(_LAYOUTS):
        try:
            sent = SentLayout(theirs, Ways([_SHARE], random), known)
            read_as = partial(ReceivedLayout, ours, sent=sent, same=same, ignore_tail=ignore_tail)
            for read in Ways([_SHARE], random).each(read_as):
                if read.is_wrong:
                    yield from _filled(read.bits, random, sender.order.stream.first)
        except NotFollowed:
            continue


def _filled(
    bits: Sequence[int | None], random: Random, first: Literal["big", "little"]
) -> Iterator[bytes]:
    """Yield octets of bits, with few ones and many in the place of those that are not certain."""
    for ones in _ONES:
        made = [int(random.random() < ones) if bit is None else bit for bit in bits]
        code = code_of(made, is_msb_first=first == "big")
        yield code.to_bytes(len(made) // _OCTET, first)
