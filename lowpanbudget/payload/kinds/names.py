"""Names of messages, fields, flags and codes."""

import re
from collections.abc import Collection, Iterator

from lowpanbudget.payload.flaws import Flaw

_NAME = re.compile(r"[A-Za-z](?:[A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?\Z")
NAME_RULE = "a letter, then up to 62 letters, digits, '_' or '-' (not at the end), all ASCII"


def name_flaw(name: object, *keys: str | int) -> Flaw | None:
    """Return the flaw of a name that is no name, else None."""
    if isinstance(name, str) and _NAME.match(name):
        return None
    if name == "":
        return Flaw(keys, "no name", f"Use {NAME_RULE}")
    return Flaw(keys, f"{str(name)[:40]!r} is no name", f"Use {NAME_RULE}")


def names_flaws(names: tuple[str, ...], key: str, *, what: str) -> Iterator[Flaw]:
    """Yield the flaws of a list of names: not names, or one of them twice."""
    for index, name in enumerate(names):
        flaw = name_flaw(name, key, index)
        if flaw:
            yield flaw
        elif name in names[:index]:
            yield Flaw((key, index), f"{what} {name!r} stands here twice", "Rename one of them")


def no_reference(name: str, kind: str, known: Collection[str]) -> tuple[str, str]:
    """Return what is wrong with a reference that leads to no field of this kind, and the way out.

    ``known`` are the names of earlier ones, of which one may be meant.
    """
    return (
        f"{name!r} is no earlier field of kind {kind} that is always present",
        near_name(name, known)
        or f"Put a field of kind {kind} with this name before it, in this group or one around it",
    )


def near_name(name: str, known: Collection[str]) -> str:
    """Return which of the known names was meant, or an empty text: none is near, or it is one of them."""
    from difflib import get_close_matches  # only a name that is wrong

    names = {one.lower(): one for one in known}
    near = [] if name in known else get_close_matches(name.lower(), names, 1)
    return f"Did you mean {names[near[0]]!r}?" if near else ""
