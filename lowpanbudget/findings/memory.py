"""What rules remember from frame to frame, in bounded memory."""

from typing import TypeVar

Key = TypeVar("Key")
Value = TypeVar("Value")


class FirstNamed(dict[Key, Value]):
    """The first ``MOST`` nodes or hops; what there is beyond them is not counted."""

    MOST = 4096

    def takes(self, key: Key) -> bool:
        """Return whether there is an entry, or room for one."""
        return key in self or len(self) < self.MOST


class Frames(list[int]):
    """The numbers of the first frames of a kind, each once."""

    def note(self, *numbers: int, most: int = 12) -> None:
        """Remember the frames while there are fewer than ``most``."""
        if len(self) < most:
            self.extend(number for number in numbers if number not in self)
