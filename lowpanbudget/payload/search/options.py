"""What a message takes with each option of its unions: the greatest message of all says little of the usual one."""

from typing import Any, NamedTuple

from lowpanbudget.payload.kinds.interfaces import FieldPath
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.tree import walk
from lowpanbudget.payload.words import joined


class OptionSize(NamedTuple):
    """The octets of a whole message whose ``tag``, the enumeration that chooses an option of a union, has one name.

    ``tag`` is the path of that field, ``option`` the name; ``least_octets`` and ``octets`` are those of the least and
    the greatest such message.
    """

    tag: str
    option: str
    least_octets: int
    octets: int


def option_sizes(message: Message) -> tuple[OptionSize, ...]:
    """Return the sizes by each name of each tag, by packing; of tags inside lists and options none."""
    fields = dict(walk(message.fields))
    sizes = []
    for tag in dict.fromkeys(
        _tag_of(place, fields) for place, one in fields.items() if one.bodies()
    ):
        for name in fields[tag].coded_names().values() if tag else ():
            given: Any = name
            for step in reversed(tag):
                given = {step: given}
            least, most = (
                len(message.pack(message.example(case, given))) for case in ("least", "greatest")
            )
            sizes.append(OptionSize(joined(tag), name, least, most))
    return tuple(sizes)


def _tag_of(place: FieldPath, fields: dict[FieldPath, Any]) -> FieldPath:
    """Return the path of the tag of a union: the nearest of its name in the groups around it; empty where it has none.

    What stands inside a list or an option of a union has a step with brackets in its path, and no size of its own.
    """
    tag = fields[place].reference()
    if not tag or any(set(step) & set("[(") for step in place):
        return ()
    around = ((*place[:depth], tag) for depth in range(len(place) - 1, -1, -1))
    return next(path for path in around if path in fields)
