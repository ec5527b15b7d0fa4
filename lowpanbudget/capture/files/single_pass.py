"""What is read out of a capture once: a second loop over it raises, where a generator would show nothing at all."""

from collections.abc import Generator, Iterator
from inspect import GEN_CLOSED, getgeneratorstate
from typing import Self, TypeVar

from lowpanbudget.errors import RequestError

One = TypeVar("One")


class SinglePass(Iterator[One]):
    """What a generator makes, to be iterated once; ``given_by`` is the public function that returns it."""

    __slots__ = ("_given_by", "_made", "_what")

    def __init__(
        self, made: Generator[One, None, None], given_by: str, what: str = "frames"
    ) -> None:
        self._made, self._given_by, self._what = made, given_by, what

    def __iter__(self) -> Self:
        if getgeneratorstate(self._made) == GEN_CLOSED:
            raise read_before(self._given_by, self._what)
        return self

    def __next__(self) -> One:
        return next(self._made)

    def close(self) -> None:
        """Ask for no more: what was opened for it is closed."""
        self._made.close()


def read_before(function: str, what: str = "frames") -> RequestError:
    """Return what is raised where these are to be iterated once more; ``function`` gives them."""
    return RequestError(
        f"these {what} were read before, or their file was closed: they come once",
        hint=f"Call {function} again, or keep list({function}(...))",
    )
