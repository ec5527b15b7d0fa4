"""How much stack a call of the generated functions takes: a bound, read from their text.

Nothing calls itself, nothing is kept on the stack but variables and cursors, and messages and octets stay where the
caller has them. So the deepest way through the functions, with what each may keep there, is an upper bound. What
compilers add to the variables is common practice, no source: registers saved, arguments, addresses kept through
loops. It has room for the worst of gcc and clang with -Os and -O2 for x86-64, i386, PowerPC and Cortex-M0+, which took
at most three quarters of it; ``tests/compiled`` holds it against what they say (-fstack-usage).
"""

import re
from functools import cache

_FUNCTION = re.compile(r"^(?:\w+ )+\*?(\w+)\([^;{}]*\)\n\{\n(.*?)^\}", re.MULTILINE | re.DOTALL)
_VARIABLE = re.compile(
    r"^ +(?!return )(?:const |enum |struct )?\w+ \*?\w+(?: =.*)?;$", re.MULTILINE
)
_CALL = re.compile(r"\b(\w+)\(")
_SAVED, _VARIABLE_OCTETS, _CURSOR, _LOOP = 64, 8, 24, 16


def stack_octets(source: str, packing: str, unpacking: str) -> tuple[int, int]:
    """Return, for each of the two functions, a bound of the octets of stack of a call, with all that it calls."""
    bodies = dict(_FUNCTION.findall(source))

    @cache
    def deepest(name: str) -> int:
        called = {word for word in _CALL.findall(bodies[name]) if word in bodies}
        return _own(bodies[name]) + max(map(deepest, called), default=0)

    return deepest(packing), deepest(unpacking)


def _own(body: str) -> int:
    cursors = body.count("struct ")
    variables = len(_VARIABLE.findall(body)) - cursors
    return _SAVED + _CURSOR * cursors + _VARIABLE_OCTETS * variables + _LOOP * body.count("for (")
