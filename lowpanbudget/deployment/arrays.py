"""The package of arrays that exact shares are calculated with: an extra, and a word where it is missing."""

from importlib.util import find_spec

from lowpanbudget.errors import RequestError

EXTRA = "plan"


def has_numpy() -> bool:
    """Return whether numpy is installed."""
    return find_spec("numpy") is not None


def need_numpy() -> None:
    """Raise ``RequestError`` where numpy is not installed."""
    if not has_numpy():
        raise RequestError(
            "what a network carries is calculated with numpy, which is not installed",
            hint=f"pip install 'lowpanbudget[{EXTRA}]'",
        )
