"""What is remembered of a capture without end: the last of so many."""

from collections import OrderedDict
from typing import TypeVar

Key = TypeVar("Key")
Value = TypeVar("Value")
_put = OrderedDict.__setitem__


class Recent(OrderedDict[Key, Value]):
    """The last ``most`` entries: a new one beyond them pushes the oldest out. One that is set again keeps its age."""

    replace = (
        OrderedDict.__setitem__
    )  # of an entry that is there: quicker, as nothing is pushed out

    def __init__(self, most: int = 1024) -> None:
        super().__init__()
        self.most = most

    def renew(self, key: Key, value: Value) -> Value | None:
        """Set an entry that is the youngest then; return what it was before."""
        before = self.get(key)
        if before is None:
            self[key] = value
        else:
            _put(self, key, value)
            self.move_to_end(key)
        return before

    def __setitem__(self, key: Key, value: Value) -> None:
        _put(self, key, value)
        if len(self) > self.most:
            self.popitem(last=False)
