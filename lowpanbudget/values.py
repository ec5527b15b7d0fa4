"""Classes of values: ``dataclass`` as the standard library has it, at a tenth of its price.

The library writes six methods of each class as source text and compiles them when the module is imported: half a
millisecond a class, paid by every command for hundreds of classes that it never fills. Here comparing, hashing and
showing are shared, and only ``__init__`` is compiled, when the first value is made. It fills the slots directly: a
frozen value is made in about the time of another. ``fields`` and ``replace`` are the library's and work on both.
"""

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import field, fields, replace
from operator import attrgetter
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

from lowpanbudget.shown import shown, shown_parts

__all__ = [
    "FrozenDict", "HashedOnce", "brief", "dataclass", "field", "fields", "filling", "found_once", "frozen", "replace",
    "settled",
]  # fmt: skip
Key = TypeVar("Key")
Item = TypeVar("Item")
Kind = TypeVar("Kind", bound=type)

if TYPE_CHECKING:
    from dataclasses import dataclass
    from functools import cached_property as found_once
else:

    class found_once:  # noqa: N801  # it is used as the library's is
        """A ``cached_property`` without the lock that Python 3.11 takes each time, at a third of its price.

        Two threads may both look for it: what they find is the same.
        """

        def __init__(self, find: Callable[[Any], Any]) -> None:
            self._find, self._name, self.__doc__ = find, find.__name__, find.__doc__

        def __get__(self, value: Any, owner: type | None = None) -> Any:
            if value is None:
                return self
            found = value.__dict__[self._name] = self._find(value)
            return found

    def dataclass(
        *,
        frozen: bool = False,
        slots: bool = False,
        init: bool = True,
        eq: bool = True,
        kw_only: bool = False,
    ) -> Callable[[type], type]:
        """Return what makes a class a class of values; the arguments mean what they mean in the library."""

        def make(declared: type) -> type:
            made = dataclasses.dataclass(
                init=False, repr=False, eq=False, slots=slots, kw_only=kw_only
            )(declared)
            own = vars(declared)
            attributes = fields(made)
            methods: dict[str, Any] = {"__repr__": _shown(attributes)}
            if init:
                methods["__init__"] = _Init(made, frozen=frozen)
            if eq:
                methods |= _comparing(attributes, hashed=frozen)
            if issubclass(made, HashedOnce):
                methods.pop("__hash__", None)
                methods["_compared"] = staticmethod(_compared(attributes))
            if frozen:
                methods |= _FROZEN
            for name, method in methods.items():
                # a class that compares in a way of its own has None for its hash, which it did not state
                if name not in own or (name == "__hash__" and own[name] is None):
                    setattr(made, name, method)
            return made

        return make


class FrozenDict(dict[Key, Item]):
    """A dictionary that refuses to be changed, as results hold it; ``dict(...)`` of it is one that can be."""

    __slots__ = ()

    def _refuse(self, *_: object, **__: object) -> NoReturn:
        """Raise ``TypeError``."""
        raise TypeError("a result cannot be changed: dict(...) of it makes a dictionary that can")

    __setitem__ = __delitem__ = __ior__ = clear = pop = popitem = setdefault = update = _refuse

    def __hash__(self) -> int:  # type: ignore[override]  # a dictionary that can change has none
        return hash(frozenset(self.items()))

    def __reduce__(self) -> tuple[type, tuple[dict[Key, Item]]]:
        """Return how to make a copy: dictionaries are else filled item by item."""
        return type(self), (dict(self),)


def frozen(value: Any) -> Any:
    """Return plain data with all that could be changed in it replaced: dictionaries, lists and sets, at any depth."""
    if isinstance(value, dict):
        return FrozenDict({key: frozen(item) for key, item in value.items()})
    if type(value) is list or type(value) is tuple:
        return tuple([frozen(item) for item in value])
    return frozenset(value) if isinstance(value, set) else value


def settled(kind: Kind) -> Kind:
    """Make a class of values refuse changes at run time: for classes whose values are filled step by step.

    ``filling(kind)`` is the class to fill them in; ``value.__class__ = kind`` ends it, and costs nothing.
    """
    attributes: Any = kind
    attributes.__init__ = _Init(kind, frozen=True)
    attributes.__hash__ = _comparing(fields(attributes), hashed=True)["__hash__"]
    for name, method in _FROZEN.items():
        setattr(kind, name, method)
    return kind


_MAKING: dict[tuple[type, ...], type] = {}


def filling(kind: Kind, *mixins: type) -> Kind:
    """Return the class in which values of a ``settled`` class are filled; ``mixins`` add methods for that time."""
    known: Any = _MAKING.get((kind, *mixins))
    if known is not None:
        return known  # type: ignore[no-any-return]
    making: Any = type(
        kind.__name__,
        (kind, *mixins),
        {
            "__slots__": (),
            "__module__": kind.__module__,
            "__qualname__": kind.__qualname__,
            "__setattr__": object.__setattr__,
            "__delattr__": object.__delattr__,
            "__hash__": None,
        },
    )
    making.__init__ = _Init(making, frozen=False)  # the quicker one
    _MAKING[(kind, *mixins)] = making
    return making  # type: ignore[no-any-return]  # it is one by its base


class HashedOnce:
    """The base of frozen classes whose values are keys again and again: their hash is worked out once."""

    __slots__ = ("_hashed",)

    def __hash__(self) -> int:
        """Return the hash of all attributes that say what a value is."""
        try:
            return self._hashed
        except AttributeError:
            hashed = hash(self._compared(self))
            object.__setattr__(self, "_hashed", hashed)
            return hashed

    _hashed: int
    _compared: Callable[[Any], Any]


class _Init:
    """The ``__init__`` of a class until it is asked for, also by those who only look at it; then it is compiled."""

    def __init__(self, owner: type, *, frozen: bool) -> None:
        self._owner = owner
        self._frozen = frozen

    def __get__(self, instance: object, owner: type) -> Any:
        init = _compiled(self._owner, frozen=self._frozen)
        self._owner.__init__ = init  # type: ignore[misc]  # it takes this one's place
        return init if instance is None else init.__get__(instance, owner)


def _compiled(owner: type, *, frozen: bool) -> Any:
    """Return the function that fills a value of ``owner`` from its arguments."""
    attributes = fields(owner)
    bound: dict[str, Any] = {"_unset": _UNSET, "_put": object.__setattr__}
    plain: list[str] = []
    named: list[str] = []
    body: list[str] = []
    for part in attributes:
        name = value = part.name
        has_factory = part.default_factory is not dataclasses.MISSING
        default = ""
        if has_factory:
            bound[f"_new_{name}"] = part.default_factory
            default = " = _unset"
            value = (
                f"_new_{name}() if {name} is _unset else {name}" if part.init else f"_new_{name}()"
            )
        elif part.default is not dataclasses.MISSING:
            bound[f"_default_{name}"] = part.default
            default = f" = _default_{name}"
            value = name if part.init else f"_default_{name}"
        if part.init:
            (named if part.kw_only else plain).append(name + default)
        elif not default or not (has_factory or "__slots__" in vars(owner)):
            continue  # as in the library: what no argument gives is the attribute of the class until it is set
        slot: Any = getattr(owner, name, None)
        if frozen and part.init and not name.startswith("_") and (kind := _settled_kind(part.type)):
            bound |= {"_kept": _kept, f"_{kind.__name__}": kind}
            body.append(f"if {name}.__class__ is not _{kind.__name__}: {name} = _kept({name})")
        if not frozen:
            body.append(f"self.{name} = {value}")
        elif hasattr(slot, "__set__"):
            bound[f"_put_{name}"] = slot.__set__
            body.append(f"_put_{name}(self, {value})")
        else:
            body.append(f"_put(self, {name!r}, {value})")
    if hasattr(owner, "__post_init__"):
        body.append("self.__post_init__()")
    arguments = ", ".join(["self", *plain, *(["*", *named] if named else [])])
    lines = "\n    ".join(body or ["pass"])
    exec(f"def __init__({arguments}):\n    {lines}", bound)  # noqa: S102  # names of attributes, nothing else
    init = bound["__init__"]
    init.__qualname__ = f"{owner.__qualname__}.__init__"
    init.__module__ = owner.__module__
    init.__annotations__ = {part.name: part.type for part in attributes if part.init}
    init.__annotations__["return"] = None
    return init


def _settled_kind(declared: Any) -> type | None:
    """Return the class whose values hold, and refuse to change, what is declared as a mapping or a tuple; else None."""
    outer = (declared if isinstance(declared, str) else str(declared)).partition("[")[0]
    return {"dict": FrozenDict, "Mapping": FrozenDict, "tuple": tuple}.get(outer.rpartition(".")[2])


def _kept(given: Any) -> Any:
    """Return what a caller gave as nobody can change it: a copy of a mapping or a list, which stay the caller's."""
    if isinstance(given, FrozenDict):
        return given
    return frozen(dict(given) if isinstance(given, Mapping) else given)


class _Unset:
    """The default of an argument whose value is made anew for each value of the class."""

    def __repr__(self) -> str:
        return "<factory>"


_UNSET: Any = _Unset()


def _shown(attributes: tuple[dataclasses.Field[Any], ...]) -> Callable[[Any], str]:
    shows = [(part.name, part.metadata.get("shown", shown)) for part in attributes if part.repr]

    def show(self: Any) -> str:
        values = (f"{name}={said(getattr(self, name, ...))}" for name, said in shows)
        return f"{type(self).__qualname__}({shown_parts(values, len(shows))})"

    return show


def brief(self: Any) -> str:
    """Return how a value shows itself that is made by hand: without attributes that hold nothing by default."""
    values = [
        f"{part.name}={part.metadata.get('shown', shown)(one)}"
        for part in fields(self)
        if part.repr
        and ((one := getattr(self, part.name)) != _default_of(part) or _is_something(one))
    ]
    return f"{type(self).__qualname__}({shown_parts(values, len(values))})"


def _is_something(value: Any) -> bool:
    """Return whether it is no None, no False, and not empty; 0 is a number."""
    return bool(value) or (isinstance(value, int) and value is not False)


def _default_of(part: dataclasses.Field[Any]) -> Any:
    made = part.default_factory
    return part.default if made is dataclasses.MISSING else made()


def _compared(attributes: tuple[dataclasses.Field[Any], ...]) -> Callable[[Any], Any]:
    """Return the function that gives what is compared of a value."""
    names = [part.name for part in attributes if part.compare]
    return attrgetter(*names) if names else lambda _: ()


def _comparing(attributes: tuple[dataclasses.Field[Any], ...], *, hashed: bool) -> dict[str, Any]:
    """Return the methods that compare and hash all attributes that say what a value is."""
    values = _compared(attributes)

    def equal(self: Any, other: Any) -> Any:
        return (
            values(self) == values(other) if other.__class__ is self.__class__ else NotImplemented
        )

    def hash_of(self: Any) -> int:
        return hash(values(self))

    return {"__eq__": equal, "__hash__": hash_of if hashed else None}


def _refused(self: Any, name: str, *_: Any) -> None:
    raise dataclasses.FrozenInstanceError(f"{type(self).__name__}.{name} cannot be set or deleted")


def _state(self: Any) -> list[Any]:
    return [getattr(self, part.name) for part in fields(self)]


def _restore(self: Any, state: list[Any]) -> None:
    for part, value in zip(fields(self), state, strict=True):
        object.__setattr__(self, part.name, value)


_FROZEN = {
    "__setattr__": _refused,
    "__delattr__": _refused,
    "__getstate__": _state,
    "__setstate__": _restore,
}
