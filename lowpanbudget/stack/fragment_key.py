"""What tells the fragments of one datagram from those of another."""

from typing import Any, NamedTuple, NoReturn, Self

from lowpanbudget.layers.link.stations import network_of
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.recovery import Rfrag, RfragAck
from lowpanbudget.shown import shown_named
from lowpanbudget.stack.frame import Frame

# the fields of a key with its PAN: a plain tuple is found in a table without a call
KeyFields = tuple[Any, ...]
# among them: the destination and the PAN, in which alone a short address is one
RECEIVER = slice(1, None, 3)


class _KeyFields(NamedTuple):
    source: bytes | None
    destination: bytes | None
    size: int | None
    tag: int


class FragmentKey(_KeyFields):
    """What the fragments of one datagram have in common (RFC 4944 section 5.3); recoverable ones have no ``size``.

    ``pan`` is that of the frames, None where they name none. Keys of two PANs differ; a plain tuple of the four fields,
    which tells no PAN, equals those of any.
    """

    pan: int | None = None

    def __new__(
        cls,
        source: bytes | None,
        destination: bytes | None,
        size: int | None,
        tag: int,
        pan: int | None = None,
    ) -> Self:
        """Return a key."""
        key = super().__new__(cls, source, destination, size, tag)
        if pan is not None:
            vars(key)["pan"] = pan
        return key

    def __setattr__(self, name: str, value: object) -> NoReturn:
        """Refuse: events hold it."""
        raise AttributeError(f"FragmentKey.{name} cannot be set")

    def __delattr__(self, name: str) -> NoReturn:
        """Refuse: events hold it."""
        raise AttributeError(f"FragmentKey.{name} cannot be deleted")

    def __repr__(self) -> str:
        said = shown_named(self, "source", "destination")
        return said if self.pan is None else f"{said[:-1]}, pan={self.pan})"

    __hash__ = tuple.__hash__

    def __eq__(self, other: object) -> bool:
        """Return whether both are of one datagram."""
        return tuple.__eq__(self, other) and (
            not isinstance(other, FragmentKey) or self.pan == other.pan
        )

    def __ne__(self, other: object) -> bool:
        """Return whether they are of two."""
        return not self == other

    @property
    def receiver(self) -> KeyFields:
        """Return who is to get the datagram: the destination and the PAN."""
        return self.destination, self.pan

    @property
    def fields(self) -> KeyFields:
        """Return its fields and its PAN."""
        return *self, self.pan

    @classmethod
    def of(cls, frame: Frame, fragment: Fragment | Rfrag, tag: int | None = None) -> "FragmentKey":
        """Return the key of the datagram that the fragment in a frame belongs to; a ``tag`` stands for that of it."""
        return cls(*fields_of(frame, fragment, tag))

    @classmethod
    def answered(cls, frame: Frame, ack: RfragAck) -> "FragmentKey":
        """Return the key of the datagram whose fragments a frame acknowledges, on its way back to their sender."""
        sender = frame.link_destination
        return cls(sender, frame.link_source, None, ack.tag, _pan_of(frame))


def fields_of(frame: Frame, fragment: Fragment | Rfrag, tag: int | None = None) -> KeyFields:
    """Return the fields of the key that ``FragmentKey.of`` tells."""
    size = None if isinstance(fragment, Rfrag) else fragment.size
    tag = fragment.tag if tag is None else tag
    return frame.link_source, frame.link_destination, size, tag, _pan_of(frame)


def _pan_of(frame: Frame) -> int | None:
    return None if frame.mac is None else network_of(frame.mac)
