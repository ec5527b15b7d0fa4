"""From the fields of a message to its compiled form, with every flaw found on the way."""

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

from lowpanbudget.payload.codec.bitpack import Order, from_mixed, to_mixed
from lowpanbudget.payload.codec.counted import ArrayNode, ContentsNode
from lowpanbudget.payload.codec.groups import GroupNode, Named, TagNode, TimeOffsetNode, UnionNode
from lowpanbudget.payload.codec.nodes import LeafNode, Node, Place, Run
from lowpanbudget.payload.codec.references import references
from lowpanbudget.payload.codec.samples import SeriesNode
from lowpanbudget.payload.codec.steps import Steps
from lowpanbudget.payload.flaws import Flaw, Path
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Codec, Field, Leaf, name_flaw
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import FixedContents, Octets
from lowpanbudget.payload.kinds.reserved import Reserved
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Union

MAX_FIELDS = 1000
MAX_DEPTH = 8
MAX_OCTETS = 65535


class Known(NamedTuple):
    """An earlier field that later ones may refer to."""

    field: Field
    slot: int
    tag: TagNode | None


Scope = dict[str, Known]


class Compiler:
    """Compiles the fields of one message; ``flaws`` has all that is wrong with them."""

    def __init__(self, fields: tuple[Field, ...], order: Order) -> None:
        self.flaws: list[Flaw] = []
        self._order = order
        self._slots = 0
        self._fields = 0
        # Names that anything refers to; their fields keep a value for later.
        self._referred = references(fields, MAX_DEPTH + 2)
        self.root = self._group(fields, {}, (), 0)
        if not self.flaws and self.root is not None:
            self._judge_size(self.root)

    def _judge_size(self, root: GroupNode) -> None:
        if root.greatest > 8 * MAX_OCTETS:
            octets = -(-root.greatest // 8)
            self._flaw(
                (),
                f"up to {octets} octets long, more than a datagram of {MAX_OCTETS} octets holds",
                "Use shorter arrays",
            )
        elif root.greatest == 0:
            self._flaw((), "it carries no bits", "Add a field that carries a value")

    def _flaw(self, path: Path, message: str, hint: str = "") -> None:
        self.flaws.append(Flaw(path, message, hint))

    def _group(
        self, fields: tuple[Field, ...], outer: Scope, path: Path, depth: int
    ) -> GroupNode | None:
        """Return the compiled fields of a group, or None if a flaw of them makes that impossible."""
        if depth > MAX_DEPTH:
            self._flaw(path, f"groups more than {MAX_DEPTH} deep", "Flatten the message")
            return None
        before = len(self.flaws)
        scope, steps, seen = dict(outer), Steps(self._order), set[str]()
        steps.advance(self._order.rounded(sum(field.optional for field in fields)))
        for index, field in enumerate(fields):
            self._fields += 1
            if self._fields > MAX_FIELDS:
                if self._fields == MAX_FIELDS + 1:
                    self._flaw(
                        (*path, "field", index), f"more than {MAX_FIELDS} fields", "Use arrays"
                    )
                return None
            where = (*path, "field", index)
            self._judge_name(field, seen, where)
            self._place(field, steps, where)
            self._step(field, scope, steps, where, depth)
        known = [field.name for field in fields if field.kind != "reserved"]
        return GroupNode(steps.finish(), known, self._order) if len(self.flaws) == before else None

    def _judge_name(self, field: Field, seen: set[str], where: Path) -> None:
        if field.kind == "reserved" and not field.name:
            return
        flaw = name_flaw(field.name, "name")
        if flaw:
            self.flaws.append(flaw.under(*where))
        elif field.name in seen:
            self._flaw(
                (*where, "name"), f"two fields are named {field.name!r}", "Rename one of them"
            )
        seen.add(field.name)

    def _place(self, field: Field, steps: Steps, where: Path) -> None:
        """Leave a gap up to the bit where the field must begin."""
        if field.at is None:
            return
        path = (*where, "at")
        if steps.position is None:
            self._flaw(
                path,
                "what comes before has no fixed size",
                "Leave 'at' out, or move the field forward",
            )
        elif field.at < steps.position:
            self._flaw(
                path,
                f"bit {field.at} overlaps what comes before, which ends at bit {steps.position}",
                f"Use at = {self._order.rounded(steps.position)} or more",
            )
        elif self._order.aligned and field.at % 8:
            self._flaw(
                path,
                f"bit {field.at} is inside an octet",
                "The layout is octet-aligned: use a multiple of 8",
            )
        elif field.at > steps.position:
            if field.at - steps.position > 8 * MAX_OCTETS:
                self._flaw(
                    path, f"bit {field.at} is beyond {MAX_OCTETS} octets", "Use a smaller one"
                )
                return
            gap = field.at - steps.position
            steps.fixed(Place(Reserved("", bits=gap), Codec(gap, _zero, _nothing), 0))

    def _step(self, field: Field, scope: Scope, steps: Steps, where: Path, depth: int) -> None:
        if isinstance(field, Leaf) and field.optional and not field.given:
            self._flaw(
                (*where, "optional"),
                f"a {field.kind} field cannot be absent",
                "Leave 'optional' out",
            )
            return
        node = self._node(field, scope, where, depth)
        if node is None:
            steps.position = None
            return
        if (
            isinstance(node, LeafNode)
            and not isinstance(node, TagNode)
            and field.name not in self._referred
        ):
            run = Run([node.place], self._order)
            steps.apart(field, run) if field.optional else steps.fixed(node.place)
            return
        slot = None
        if isinstance(field, Enumeration | Time) and field.name in self._referred:
            slot, self._slots = self._slots, self._slots + 1
            tag = node if isinstance(node, TagNode) else None
            scope[field.name] = Known(field, slot, tag)
        else:
            scope.pop(field.name, None)  # it hides one of the same name further out
        steps.apart(field, Named(field.name, node, slot))

    def _node(self, field: Field, scope: Scope, where: Path, depth: int) -> Node | None:
        """Return the compiled field, or None if it is flawed."""
        if type(field) is Number:
            try:
                flaws, place = _number(field, self._order)
            except TypeError:  # made by hand with a list, which cannot be remembered
                flaws, place = _number.__wrapped__(field, self._order)
            self.flaws += [flaw.under(*where) for flaw in flaws]
            return LeafNode(place) if place is not None else None
        own = [flaw.under(*where) for flaw in field.flaws(self._order)]
        self.flaws += own
        if isinstance(field, Group):
            return self._group(field.fields, scope, where, depth + 1) if not own else None
        if isinstance(field, Array):
            element = self._element(field, scope, where, depth)
            return ArrayNode(field, element, self._order) if element and not own else None
        if isinstance(field, Union):
            return self._union(field, scope, where, depth)
        if own:
            return None
        if isinstance(field, TimeOffset):
            base = scope.get(field.base)
            if base is None or not isinstance(base.field, Time) or base.field.optional:
                self._flaw((*where, "base"), *_no_reference(field.base, "time"))
                return None
            return TimeOffsetNode(self._leaf(field.number()), field, base.slot)
        if isinstance(field, Series):
            return SeriesNode(field, LeafNode(self._leaf(field.number())), self._order)
        if isinstance(field, Octets):
            if field.least != field.most:
                return ContentsNode(field, self._order)
            fixed = FixedContents(field.name, of=field)
            return LeafNode(self._leaf(fixed))
        assert isinstance(field, Leaf)
        if isinstance(field, Enumeration) and field.name in self._referred:
            return TagNode(self._leaf(field))
        return LeafNode(self._leaf(field))

    def _element(self, field: Array, scope: Scope, where: Path, depth: int) -> Node | None:
        element, path = field.element, (*where, "element")
        self._fields += 1
        if element.at is not None:
            self._flaw((*path, "at"), "an element follows the one before", "Leave 'at' out")
        if depth >= MAX_DEPTH:
            self._flaw(path, f"groups more than {MAX_DEPTH} deep", "Flatten the message")
            return None
        if isinstance(element, Leaf) and not element.given:
            self._flaw(
                (*path, "kind"),
                f"an array of {element.kind} fields carries nothing",
                "Use another kind",
            )
            return None
        return self._node(element, scope, path, depth + 1)

    def _union(self, field: Union, scope: Scope, where: Path, depth: int) -> UnionNode | None:
        before = len(self.flaws)
        known = scope.get(field.tag)
        if known is None or known.tag is None or known.field.optional:
            self._flaw((*where, "tag"), *_no_reference(field.tag, "enumeration"))
            return None
        assert isinstance(known.field, Enumeration)
        options: dict[str, GroupNode] = {}
        for index, option in enumerate(field.options):
            path = (*where, "option", index)
            if option.when not in known.field.names:
                names = ", ".join(known.field.names)
                self._flaw(
                    (*path, "when"),
                    f"{option.when!r} is no name of {field.tag!r}",
                    f"Names are {names}",
                )
            elif option.when in options:
                self._flaw(
                    (*path, "when"), f"two options for {option.when!r}", "Put their fields into one"
                )
            node = self._group(option.fields, scope, path, depth + 1)
            if node is not None:
                options[option.when] = node
        given = {option.when for option in field.options}
        missing = [name for name in known.field.names if name not in given]
        if missing:
            self._flaw(
                (*where, "option"),
                f"no option for {', '.join(missing)}",
                "Add one for each name of the tag; an option without fields is allowed",
            )
        if len(self.flaws) > before:
            return None
        known.tag.unions.append(options)
        return UnionNode(options, known.slot)

    def _leaf(self, leaf: Leaf) -> Place:
        return _place(leaf, self._order)


def _place(leaf: Leaf, order: Order) -> Place:
    """Return a leaf with its codec, in the byte order of the message."""
    needed = leaf.needed()
    width = order.rounded(needed)
    codec = leaf.codec(width, order)
    if leaf.ordered and order.mixed and width > 8:
        codec = _swapped(codec, order)
    return Place(leaf.of if isinstance(leaf, FixedContents) else leaf, codec, width - needed)


@lru_cache(maxsize=1024)
def _number(field: Number, order: Order) -> tuple[tuple[Flaw, ...], Place | None]:
    """Return a number's flaws and, when it has none, its place; a search compiles the same ones again and again."""
    flaws = tuple(field.flaws(order))
    return flaws, None if flaws else _place(field, order)


def _swapped(codec: Codec, order: Order) -> Codec:
    """Return a codec whose code has its octets in the byte order of the message."""
    width, encode, decode = codec
    to_wire: Callable[[int], int] = lambda code: to_mixed(code, width, order)  # noqa: E731
    return Codec(
        width,
        lambda value: to_wire(encode(value)),
        lambda code: decode(from_mixed(code, width, order)),
    )


def _no_reference(name: str, kind: str) -> tuple[str, str]:
    return (
        f"{name!r} is no earlier field of kind {kind} that is always present",
        f"Put a field of kind {kind} with this name before it, in this group or one around it",
    )


def _zero(value: object) -> int:
    del value
    return 0


def _nothing(code: int) -> None:
    del code
