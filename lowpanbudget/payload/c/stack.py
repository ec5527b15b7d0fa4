"""How much stack a call of the generated functions takes: a bound, read from their text.

Nothing calls itself, nothing is kept on the stack but variables and cursors, and messages and octets stay where the
caller has them. So the deepest way through the functions, with what each may keep there, is an upper bound. What
compilers add to the variables is common practice, no source: registers saved, arguments, addresses kept through
loops. ``tests/compiled`` holds the bound against what gcc and clang say of optimised code.
"""

import re

_FUNCTION = re.compile(r"^(?:\w+ )+\*?(\w+)\([^;{}]*\)\n\{\n(.*?)^\}", re.MULTILINE | re.DOTALL)
_VARIABLE = re.compile(r"^ +(?:const |enum |struct )?\w+ \*?\w+(?: =.*)?;$", re.MULTILINE)
_SAVED, _VARIABLE_OCTETS, _CURSOR, _LOOP = 64, 8, 24, 16


def stack_octets(source: str, name: str) -> int:
    """Return a bound of the octets of stack that a call of the function ``name`` takes, with all that it calls."""
    bodies = dict(_FUNCTION.findall(source))
    return _deepest(name, bodies)


def _deepest(name: str, bodies: dict[str, str]) -> int:
    called = {word for word in re.findall(r"\b(\w+)\(", bodies[name]) if word in bodies}
    return _own(bodies[name]) + max((_deepest(inner, bodies) for inner in called), default=0)


def _own(body: str) -> int:
    cursors = body.count("struct ")
    variables = len(_VARIABLE.findall(body)) - cursors
    return _SAVED + _CURSOR * cursors + _VARIABLE_OCTETS * variables + _LOOP * body.count("for (")
