"""From the fields of a message to its compiled form, with every flaw found on the way."""

from collections.abc import Callable
from functools import lru_cache
from typing import TypeVar

from lowpanbudget.fields.stream import from_mixed, to_mixed
from lowpanbudget.payload.codec.groups import GroupNode, Named
from lowpanbudget.payload.codec.nodes import Codec, LeafNode, LeafPlace, Node, Run
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.codec.steps import Steps
from lowpanbudget.payload.flaws import Flaw, Path
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import EarlierField, FieldPlace
from lowpanbudget.payload.kinds.leaf import Leaf
from lowpanbudget.payload.kinds.names import name_flaw
from lowpanbudget.payload.kinds.reserved import ReservedBits

T = TypeVar("T")
MAX_FIELDS = 1000
MAX_DEPTH = 8
MAX_OCTETS = 65535


class Compiler:
    """Compiles the fields of one message; ``flaws`` has all that is wrong with them."""

    def __init__(self, fields: tuple[Field, ...], order: Order) -> None:
        self.flaws: list[Flaw] = []
        self.order = order
        self._slots = 0
        self._fields = 0
        self._earlier: list[Field] = []
        # Names that anything refers to; their fields keep a value for later.
        self._referred = references(fields, MAX_DEPTH + 2)
        self.root = self.group(fields, FieldPlace({}, (), 0))
        if not self.flaws and self.root is not None:
            self._judge_size(self.root)

    def _judge_size(self, root: GroupNode) -> None:
        if root.greatest > 8 * MAX_OCTETS:
            octets = -(-root.greatest // 8)
            self.flaw(
                (),
                f"up to {octets} octets long, more than a datagram of {MAX_OCTETS} octets holds",
                "Use shorter arrays",
            )
        elif root.greatest == 0:
            self.flaw((), "it carries no bits", "Add a field that carries a value")

    def flaw(self, path: Path, message: str, hint: str) -> None:
        """Note what is wrong."""
        self.flaws.append(Flaw(path, message, hint))

    def referred(self, name: str) -> bool:
        """Return whether a later field refers to this name."""
        return name in self._referred

    def earlier(self, kind: str) -> list[str]:
        """Return the names of the fields of this kind that stand before, wherever, and are always present."""
        return [field.name for field in self._earlier if field.kind == kind and not field.optional]

    def group(self, fields: tuple[Field, ...], at: FieldPlace) -> GroupNode | None:
        """Return the compiled fields of a group, or None if a flaw of them makes that impossible."""
        if at.depth > MAX_DEPTH:
            self.flaw(at.path, f"groups more than {MAX_DEPTH} deep", "Flatten the message")
            return None
        before = len(self.flaws)
        scope, steps, seen = dict(at.scope), Steps(self.order), set[str]()
        steps.advance(self.order.rounded(sum(field.optional for field in fields)))
        for index, field in enumerate(fields):
            self._fields += 1
            if self._fields > MAX_FIELDS:
                if self._fields == MAX_FIELDS + 1:
                    self.flaw(
                        (*at.path, "field", index), f"more than {MAX_FIELDS} fields", "Use arrays"
                    )
                return None
            where = FieldPlace(scope, (*at.path, "field", index), at.depth)
            self._judge_name(field, seen, where.path)
            self._place(field, steps, where.path)
            self._step(field, scope, steps, where)
            self._earlier.append(field)
        known = [field.name for field in fields if field.carries]
        return GroupNode(steps.finish(), known, self.order) if len(self.flaws) == before else None

    def _judge_name(self, field: Field, seen: set[str], where: Path) -> None:
        if not field.carries and not field.name:
            return
        flaw = name_flaw(field.name, "name")
        if flaw:
            self.flaws.append(flaw.under(*where))
        elif field.name in seen:
            self.flaw(
                (*where, "name"), f"two fields are named {field.name!r}", "Rename one of them"
            )
        seen.add(field.name)

    def _place(self, field: Field, steps: Steps, where: Path) -> None:
        """Leave a gap up to the bit where the field must begin."""
        if field.at is None:
            return
        path = (*where, "at")
        if steps.position is None:
            self.flaw(
                path,
                "what comes before has no fixed size",
                "Leave 'at' out, or move the field forward",
            )
        elif field.at < steps.position:
            self.flaw(
                path,
                f"bit {field.at} overlaps what comes before, which ends at bit {steps.position}",
                f"Use at = {self.order.rounded(steps.position)} or more",
            )
        elif self.order.aligned and field.at % 8:
            self.flaw(
                path,
                f"bit {field.at} is inside an octet",
                "The layout is octet-aligned: use a multiple of 8",
            )
        elif field.at > steps.position:
            if field.at - steps.position > 8 * MAX_OCTETS:
                self.flaw(
                    path, f"bit {field.at} is beyond {MAX_OCTETS} octets", "Use a smaller one"
                )
                return
            gap = field.at - steps.position
            reserved = ReservedBits("", bits=gap)
            steps.fixed(LeafPlace(reserved, reserved.codec(gap, self.order), 0))

    def _step(
        self, field: Field, scope: dict[str, EarlierField], steps: Steps, at: FieldPlace
    ) -> None:
        if field.optional and not field.needs_value:
            self.flaw(
                (*at.path, "optional"),
                f"a {field.kind} field cannot be absent",
                "Leave 'optional' out",
            )
            return
        node = self._node(field, at)
        if node is None:
            steps.position = None
            return
        referred = field.name in self._referred
        if isinstance(node, LeafNode) and not referred:
            run = Run([node.place], self.order)
            steps.apart(field, run) if field.optional else steps.fixed(node.place)
            return
        slot = None
        if field.referable and referred:
            slot, self._slots = self._slots, self._slots + 1
            scope[field.name] = EarlierField(field, slot, node)
        else:
            scope.pop(field.name, None)  # it hides one of the same name further out
        steps.apart(field, Named(field.name, node, slot))

    def _node(self, field: Field, at: FieldPlace) -> Node | None:
        """Return the compiled field, or None if it is flawed."""
        own = (
            _leaf_flaws(field, self.order)
            if isinstance(field, Leaf)
            else tuple(field.flaws(self.order))
        )
        self.flaws += [flaw.under(*at.path) for flaw in own]
        # what is inside is judged all the same
        node = field.node(self, at) if not own or field.bodies() else None
        return None if own else node

    def element(self, field: Field, at: FieldPlace) -> Node | None:
        """Return a compiled element of an array, or None if it is flawed."""
        self._fields += 1
        if field.at is not None:
            self.flaw((*at.path, "at"), "an element follows the one before", "Leave 'at' out")
        if at.depth > MAX_DEPTH:
            self.flaw(at.path, f"groups more than {MAX_DEPTH} deep", "Flatten the message")
            return None
        if not field.needs_value:
            self.flaw(
                (*at.path, "kind"),
                f"an array of {field.kind} fields carries nothing",
                "Use another kind",
            )
            return None
        return self._node(field, at)

    def place(self, leaf: Leaf) -> LeafPlace:
        """Return a field of fixed width with its codec, in the byte order of the message."""
        return placed(leaf, self.order)


def references(fields: tuple[Field, ...], deepest: int) -> frozenset[str]:
    """Return the names that fields refer to, down to a depth."""
    names: set[str] = set()
    for field in fields if deepest else ():
        names.add(field.reference())
        for body in field.bodies():
            names |= references(body.fields, deepest - 1)
    return frozenset(names - {""})


def _remembered(work: Callable[[Leaf, Order], T]) -> Callable[[Leaf, Order], T]:
    """Return the same work, remembered: a search compiles the same fields again and again."""
    kept = lru_cache(maxsize=1024)(work)

    def ask(leaf: Leaf, order: Order) -> T:
        try:
            return kept(leaf, order)
        except TypeError:  # made by hand with a list, which cannot be remembered
            return work(leaf, order)

    return ask


@_remembered
def placed(leaf: Leaf, order: Order) -> LeafPlace:
    """Return a leaf with its codec, in the byte order of the message."""
    needed = leaf.needed()
    width = order.rounded(needed)
    codec = leaf.codec(width, order)
    if leaf.ordered and order.mixed and width > 8:
        codec = _mixed(codec)
    filler_at = order.filler_at(needed, width, ordered=leaf.ordered)
    return LeafPlace(leaf, codec, width - needed, filler_at)


@_remembered
def _leaf_flaws(leaf: Leaf, order: Order) -> tuple[Flaw, ...]:
    return tuple(leaf.flaws(order))


def _mixed(codec: Codec) -> Codec:
    """Return a codec whose codes stand in a mixed stream."""
    width, encode, decode = codec
    return Codec(
        width,
        lambda value: to_mixed(encode(value), width),
        lambda code: decode(from_mixed(code, width)),
    )
