"""Values drawn for tests and vectors: all that a format takes comes up, edges often, and long lists are thinned."""

from decimal import Decimal
from random import Random
from typing import Any

import pytest

from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.drawing import some_of
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.text import Text


def drawn(field: Field, count: int = 400) -> list[Any]:
    random = Random(5)
    return [field.drawn(random, {}) for _ in range(count)]


@pytest.mark.parametrize(
    ("field", "all_of_them"),
    [
        (Boolean("b"), {False, True}),
        (Flags("f", names=("a", "b")), {(), ("a",), ("b",), ("a", "b")}),
        (Sequence("s", bits=3), set(range(8))),
    ],
)
def test_every_value_of_a_small_field_comes_up(field: Field, all_of_them: set[Any]) -> None:
    assert set(drawn(field)) == all_of_them


@pytest.mark.parametrize(
    "field",
    [
        Series("s", min=Decimal(0), max=Decimal(9), deltas="variable", max_length=3),
        Series("s", min=Decimal(0), max=Decimal(9), deltas="fixed", delta_bits=3, max_length=3),
        Octets("o", max_length=3),
        Text("t", max_length=3),
    ],
)
def test_every_length_comes_up(field: Field) -> None:
    assert {len(value) for value in drawn(field)} == {0, 1, 2, 3}


@pytest.mark.parametrize(
    ("field", "edges"),
    [
        (Sequence("s", bits=20), {0, 2**20 - 1}),
        (Table("t", values=tuple(map(Decimal, range(1000)))), {0, 999}),
        (Enumeration("e", names=tuple(f"n{index}" for index in range(1000))), {"n0", "n999"}),
        (Number("n", min=Decimal(0), max=Decimal(10**6), special=(("na", None),)), {0, 10**6, "na"}),
    ],
)  # fmt: skip
def test_edges_come_up_often(field: Field, edges: set[Any]) -> None:
    """By chance each of so many values would hardly come up in 400; an edge is one of two or three in a quarter."""
    values = drawn(field)
    assert all(values.count(edge) > 20 for edge in edges)
    assert len(set(values)) > 100


def test_what_may_be_long_is_the_shortest_or_still_short() -> None:
    lengths = {len(value) for value in drawn(Octets("o", min_length=2, max_length=1000))}
    assert min(lengths) == 2 < max(lengths) <= 100


def test_an_optional_field_is_there_or_not() -> None:
    group = Group("g", fields=(Boolean("b", optional=True),))
    assert {tuple(values) for values in drawn(group)} == {(), ("b",)}


def test_text_is_drawn_in_small_letters() -> None:
    letters = {letter for text in drawn(Text("t", max_length=9)) for letter in text}
    assert "".join(sorted(letters)) == "abcdefghijklmnopqrstuvwxyz"


@pytest.mark.parametrize("count", [1, 2, 3, 511, 512, 513, 4096])
def test_of_a_list_that_is_not_long_every_value_is_taken_once(count: int) -> None:
    assert some_of(tuple(range(count))) == tuple(range(count))


@pytest.mark.parametrize(("count", "every"), [(4097, 2), (8192, 2), (8193, 3), (32768, 8)])
def test_of_a_long_list_at_most_4096_and_the_last_are_taken(count: int, every: int) -> None:
    taken = some_of(tuple(range(count)))
    assert len(taken) <= 4096 + 1
    assert taken == (*range(0, count - 1, every), count - 1)
