"""What rules remember from frame to frame, in bounded memory."""

from collections.abc import Callable
from typing import TypeVar

Key = TypeVar("Key")
Value = TypeVar("Value")


class FirstNamed(dict[Key, Value]):
    """The first ``MOST`` nodes or hops; what there is beyond them is not counted."""

    MOST = 4096

    def entry(self, key: Key, make: Callable[[], Value]) -> Value | None:
        """Return the entry of a key, made where it had none; None where there is no room for another."""
        value = self.get(key)
        if value is None and len(self) < self.MOST:
            value = self[key] = make()
        return value


class Frames(list[int]):
    """The numbers of the first frames of a kind, each once."""

    def note(self, *numbers: int, most: int = 12) -> None:
        """Remember the frames while there are fewer than ``most``."""
        if len(self) < most:
            self.extend(number for number in numbers if number not in self)

    def forget(self, *numbers: int) -> None:
        """Forget frames that were remembered."""
        self[:] = [number for number in self if number not in numbers]
