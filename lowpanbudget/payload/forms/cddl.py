"""The CBOR form of a message in CDDL (RFC 8610), so that others can check and generate it."""

from decimal import Decimal

from lowpanbudget.payload.codec.grid import zero_of
from lowpanbudget.payload.exact import digits
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import FieldPath, members
from lowpanbudget.values import dataclass, field


def cddl(name: str, note: str, fields: tuple[Field, ...], *, keyed: bool) -> str:
    """Return CDDL text of a message for the map with integer keys (``keyed``) or the array that ``cbor`` makes.

    A dot joins the names of inner rules, for no field has one in its name.
    """
    grammar = Grammar(keyed)
    body = grammar.fields(fields, (name,))
    head = f"; {grammar.comment(note)}\n" if note else ""
    return "\n\n".join([f"{head}message-{name} = {body}", *grammar.rules]) + "\n"


@dataclass(frozen=True, slots=True)
class Grammar:
    """The rules of a message; what needs a name of its own goes to ``rules``."""

    keyed: bool
    rules: list[str] = field(default_factory=list)

    def fields(self, fields: tuple[Field, ...], path: FieldPath) -> str:
        """Return a map or an array of fields, one a line."""
        opening, closing = "{}" if self.keyed else "[]"
        lines = [opening]
        for key, member in enumerate(members(fields)):
            kind = member.cddl(self, (*path, member.name))
            if member.optional and not self.keyed:
                kind += " / null"
            name = f"{key}: " if self.keyed else f"{member.name}: "
            mark = "? " if member.optional and self.keyed else ""
            lines.append(f"  {mark}{name}{kind},{self._remark(member)}")
        return "\n".join([*lines, closing])

    def rule(self, name: str, body: str, remark: str = "") -> str:
        """Add a rule and return its name."""
        head = f"; {self.comment(remark)}\n" if remark else ""
        self.rules.append(f"{head}{name} = {body}")
        return name

    def comment(self, text: str) -> str:
        """Return a text as a comment of one line."""
        return " ".join(text.split())

    def _remark(self, member: Field) -> str:
        """Return a comment with the name and what the integer counts."""
        words, number = member.summary(), member.number()
        parts = [member.name]
        if number is not None:
            zero = zero_of(number)
            start = "" if zero == Decimal(0) else f" from {digits(zero)}"
            parts.append(f"steps of {digits(number.step)} {words.unit}".rstrip() + start)
        elif member.indexed:
            parts.append(f"index, {words.range} {words.unit}".rstrip())
        if member.note:
            parts.append(member.note)
        return f" ; {self.comment(': '.join(parts))}"
