"""Designs: any text is a design or has located faults; what is one can be asked all questions, and is compared."""

from typing import Any

from fuzz.design_files import bases, made
from fuzz.registry import OUTCOMES, check_request, entry, refusal, sampled

from lowpanbudget import (
    Design,
    DesignError,
    RequestError,
    airtime,
    budget,
    carry,
    carry_burst,
    carrying,
    compatible,
    encodings,
    fit,
    parse_design,
    review,
    room_by_hops,
    weigh,
)
from lowpanbudget.bits import tiles

OLD = parse_design(bases()[0])


def check_design_error(error: DesignError, text: str) -> None:
    check_request(error)
    lines = text.split("\n")
    for fault in error.faults:
        assert 1 <= fault.line <= len(lines)
        assert fault.column >= 1
        assert fault.message
        OUTCOMES[f"refused: {fault.message.split(chr(39))[0][:40]}"] += 1
    assert error.faults


def parsed(text: str) -> Design | None:
    try:
        return parse_design(text)
    except DesignError as error:
        check_design_error(error, text)
        return None


@entry("design text", longest=1600, slow_s=1.0)
def any_text(data: bytes) -> None:
    """Octets of any kind: a text, cut, with pieces of designs in it."""
    design = parsed(data.decode("utf-8", "replace"))
    OUTCOMES["a design" if design else "refused"] += 1


@entry("design tables", longest=120, slow_s=10.0, most_mb=24, inputs=10_000)
def any_tables(data: bytes) -> None:
    """A design with a few changes: each question about it has an answer, or is refused in words."""
    text = made(data)
    design = parsed(text)
    if design is None:
        OUTCOMES["refused"] += 1
        return
    OUTCOMES["a design"] += 1
    asked: list[Any] = [lambda: check_budgets(design), lambda: fit(design)]
    if len(text) < 4000:
        asked.append(lambda: review(design))
    if sampled(data, 4 if len(text) < 4000 else 64):
        asked += [lambda: airtime(design), lambda: weigh(design), lambda: encodings(design)]
        asked += [lambda: room_by_hops(design, range(1, 4)), lambda: carry(design)]
        asked += [lambda: carry_burst(design, "all"), lambda: carrying(design, 20)]
    for question in asked:
        try:
            question()
        except RequestError as error:
            check_request(error)
            OUTCOMES[f"not answered: {refusal(error)}"] += 1


def check_budgets(design: Design) -> None:
    for one in budget(design):
        check_budget(one, design)


def check_budget(one: Any, design: Design) -> None:
    """A frame filled to the room is as long as the link allows, and a longer one where the headers alone are."""
    assert tiles(one.ledger.spans, one.ledger.octets * 8)
    if one.room >= 0:
        assert one.ledger.octets == design.link.largest_sent
    else:
        assert one.ledger.octets == design.link.largest_sent - one.room


@entry("design compared", longest=120, slow_s=4.0, most_mb=24, inputs=10_000)
def any_compared(data: bytes) -> None:
    """A format is safe to change to itself; what is safe is read right by the old one."""
    new = parsed(made(bytes([data[0] & 0xF0 if data else 0]) + data[1:]))
    if new is None:
        return
    for one in compatible(OLD, new):
        OUTCOMES[one.outcome.value] += 1
        assert one.reads
        if one.old_octets is None or one.new_octets is None:
            continue
        old, other = OLD.message(one.message), new.message(one.message)
        if old == other:
            assert one.safe
            assert not one.changes
        if one.safe:
            values = other.example("typical")
            read = old.unpack(other.pack(values), ignore_tail=True)
            assert all(read[name] == values[name] for name in read.keys() & values.keys())
    again = compatible(new, new)
    assert all(one.safe and not one.changes for one in again)
