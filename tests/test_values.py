"""Classes of values do what the standard library's dataclasses do: each case is asked of both."""

import copy
import dataclasses
import inspect
import pickle
from collections.abc import Callable
from types import MappingProxyType
from typing import Any

import pytest

from lowpanbudget import values
from lowpanbudget.layers.link.security import Key
from lowpanbudget.values import dataclass


def declared(make: Any, *, frozen: bool) -> type:
    @make(frozen=frozen, slots=True)
    class Base:
        first: int
        second: int = 2

    @make(frozen=frozen, slots=True)
    class Value(Base):
        second: int = 3
        _: dataclasses.KW_ONLY
        listed: list[int] = dataclasses.field(default_factory=list)
        silent: str = dataclasses.field(default="", repr=False, compare=False)
        counted: int = dataclasses.field(init=False, default=7)

    return Value


@dataclass(frozen=True, slots=True)
class Sent:
    octets: bytes
    name: str = ""


@pytest.mark.parametrize("frozen", [False, True])
@pytest.mark.parametrize(
    "ask",
    [
        lambda cls: cls(1),
        lambda cls: repr(cls(1, 5, listed=[1], silent="x")),
        lambda cls: cls(),
        lambda cls: cls(1, 2, 3),
        lambda cls: cls(1, unknown=3),
        lambda cls: cls(1) == cls(1, silent="else"),
        lambda cls: cls(1) == cls(2),
        lambda cls: cls(1) == (1, 3, [], 7),
        lambda cls: cls(1).listed is cls(1).listed,
        lambda cls: hash(cls(1, listed=())) == hash(cls(1, listed=(), silent="else")),
        lambda cls: dataclasses.replace(cls(1), second=9),
        lambda cls: dataclasses.astuple(cls(1)),
        lambda cls: [field.name for field in dataclasses.fields(cls)],
        lambda cls: str(inspect.signature(cls)),
        lambda cls: cls.__match_args__,
        lambda cls: setattr(cls(1), "first", 2),
        lambda cls: delattr(cls(1), "first"),
        lambda cls: copy.copy(cls(1)),
    ],
)  # fmt: skip
def test_as_the_library_has_it(ask: Callable[[type], Any], frozen: bool) -> None:
    answers = []
    for make in (dataclasses.dataclass, dataclass):
        try:
            answers.append(repr(ask(declared(make, frozen=frozen))))
        except Exception as error:  # noqa: BLE001  # what is raised is the answer
            answers.append(type(error).__name__)
    theirs, ours = answers
    assert ours == theirs


def test_a_value_travels_to_another_process() -> None:
    assert pickle.loads(pickle.dumps(Sent(b"1", "a"))) == Sent(b"1", "a")


def test_methods_of_the_class_stay() -> None:
    @dataclass(frozen=True, slots=True)
    class Own:
        number: int

        def __eq__(self, other: object) -> bool:
            return isinstance(other, Own) and self.number % 2 == other.number % 2

        def __hash__(self) -> int:
            return self.number % 2

        def __repr__(self) -> str:
            return "own"

    assert Own(1) == Own(3) != Own(2)
    assert hash(Own(3)) == 1
    assert repr(Own(1)) == "own"


def test_what_is_made_last_is_called() -> None:
    @dataclass(frozen=True, slots=True)
    class Checked:
        number: int

        def __post_init__(self) -> None:
            if self.number < 0:
                raise ValueError("below 0")

    assert Checked(1).number == 1
    with pytest.raises(ValueError, match="below 0"):
        Checked(-1)


def test_a_hash_that_is_worked_out_once_is_that_of_the_value() -> None:
    asked = []

    class Part:
        def __hash__(self) -> int:
            asked.append(self)
            return 7

    @values.dataclass(frozen=True, slots=True)
    class Key(values.HashedOnce):
        part: Any
        note: str = values.field(default="", compare=False)

    part = Part()
    one, same = Key(part), Key(part, "another")
    assert one == same
    assert hash(one) == hash(same) == hash(one)
    assert len(asked) == 2  # once for each value
    assert hash(values.replace(one, part=8)) != hash(one)
    assert {one: 1}[same] == 1


def test_a_frozen_dictionary_is_one_that_refuses_to_change() -> None:
    table = values.FrozenDict({1: "a", 2: "b"})
    assert table == {1: "a", 2: "b"}
    assert repr(table) == repr({1: "a", 2: "b"})
    assert hash(table) == hash(values.FrozenDict({2: "b", 1: "a"}))
    for copied in (copy.copy(table), copy.deepcopy(table), pickle.loads(pickle.dumps(table))):
        assert copied == table
        assert isinstance(copied, values.FrozenDict)
    assert type(dict(table)) is type(table | {3: "c"}) is dict
    refused: list[Callable[[], Any]] = [
        lambda: table.__setitem__(1, "c"), lambda: table.__delitem__(1), lambda: table.update({1: "c"}),
        lambda: table.pop(1), lambda: table.setdefault(3, "c"), table.popitem, table.clear,
        lambda: table.__ior__({1: "c"}),
    ]  # fmt: skip
    for change in refused:
        with pytest.raises(TypeError):
            change()
    assert len(table) == 2
    deep = values.frozen({"a": [1, {"b": [2]}, {3}], "c": Sent(b"")})
    assert deep == {"a": (1, {"b": (2,)}, frozenset({3})), "c": Sent(b"")}
    assert isinstance(deep["a"][1], values.FrozenDict)


def test_a_frozen_value_holds_what_its_maker_cannot_change() -> None:
    @dataclass(frozen=True, slots=True)
    class Held:
        table: dict[str, Any]
        row: "tuple[int, ...]" = ()
        plain: Any = None

    table, row = {"a": [1]}, [1, 2]
    made = Held(table, row)  # type: ignore[arg-type]
    table["a"].append(2)
    row.append(3)
    assert made == Held(values.FrozenDict(a=(1,)), (1, 2))
    assert hash(made) == hash(Held({"a": [1]}, (1, 2)))
    assert Held(made.table).table is made.table
    assert Held(MappingProxyType({"a": 1})).table == {"a": 1}  # type: ignore[arg-type]
    assert Held(table, plain=row).plain is row


def test_a_settled_value_is_filled_first_and_then_stays() -> None:
    class Noting:
        __slots__ = ()

        def note(self: Any, text: str) -> None:
            self.notes.append(text)

    @values.settled
    @dataclass(slots=True)
    class Read:
        octets: bytes
        notes: Any = ()

    making = values.filling(Read, Noting)
    one: Any = making(b"1", notes=[])
    one.note("odd")
    one.octets = b"2"
    one.notes = tuple(one.notes)
    one.__class__ = Read
    assert one == Read(b"2", ("odd",))
    assert repr(one).endswith("Read(octets=b'2', notes=('odd',))")
    refused: list[Callable[[], Any]] = [
        lambda: setattr(one, "octets", b""),
        lambda: delattr(one, "octets"),
    ]
    for change in refused:
        with pytest.raises(dataclasses.FrozenInstanceError):
            change()
    assert not hasattr(one, "note")
    assert values.replace(one, octets=b"3").octets == b"3"
    assert pickle.loads(pickle.dumps(values.FrozenDict(a=1))) == {"a": 1}


def test_a_value_in_the_making_can_be_shown() -> None:
    """A traceback with local variables shows it where its class raises: of what is not there yet, nothing."""
    key = object.__new__(Key)
    assert repr(key) == "Key(key_id_mode=Ellipsis, index=Ellipsis, source=Ellipsis)"
