"""Which EUI-64 has which short address, as the air tells it.

Nothing proves what a frame without security says of itself (RFC 6775 section 9): who is said to have a short address
last has it, and a few others that were said to have it are remembered. What opens a frame decides between them, and
also between the one that was given and those: a node that was replaced has another EUI-64, and its nonces with it.
"""

from collections.abc import Callable
from typing import NamedTuple

from lowpanbudget.capture.recent import Recent
from lowpanbudget.layers.link.nonces import Devices
from lowpanbudget.shown import shown_named
from lowpanbudget.stack.incoming import Notice

# of whom the one that was told first makes room for another: of those that opened no frame, as long as there are any
MOST_DEVICES = 8192
GIVEN = "given"
FROM_ADDRESS = "link-local source address"
MOST_CLAIMS = 4  # EUI-64s that a short address is said to have, beside the last


class Device(NamedTuple):
    """An EUI-64 (8 octets, most significant first) and its ``short`` address in a ``pan``, both as numbers.

    It was learned in frame ``number``, as ``how`` says in words.
    """

    pan: int | None
    short: int
    eui64: bytes
    how: str
    number: int = 0

    @property
    def is_guess(self) -> bool:
        """Return whether it is read out of an identifier: that need not be made of one (RFC 7136, from memory)."""
        return self.how == FROM_ADDRESS

    def __repr__(self) -> str:
        return shown_named(self, "eui64")


Place = tuple[int | None, int]  # PAN ID and short address


class LearnedDevices:
    """Devices learned from the air, in the gaps of a ``table`` that was given.

    What was given wins, until a frame opens with another.
    """

    def __init__(self, table: Devices) -> None:
        self.table = table
        self._given = dict(table)
        self.known: dict[Place, Device] = {}
        # is told each short address whose device changes
        self.watch: Callable[[int], object] | None = None
        # of each the first stays
        self._claims = Recent[Place, list[Device]](MOST_DEVICES)
        self._only_told: dict[Place, bool] = {}  # whose device opened no frame so far

    def learn(self, device: Device) -> Notice | None:
        """Take in who has a short address; return what is to be noticed, where it was another's."""
        key = _key(device)
        place = (device.pan, device.short)
        known = self.table.get(key, self.table.get(device.short))
        before = self.known.get(place)
        if known == device.eui64:
            if before is not None and before.is_guess:
                self.known[place] = device
            return None
        if known is not None and device.is_guess:
            self._contest(device)
            return None
        notice = None
        short = f"short address {device.short:#06x}"
        if known is not None and before is None:
            self._contest(device)
            text = f"{short} is said to be another device than given"
            return Notice("device-differs", text, None, 0)
        if before is not None:
            text = f"{short} is {device.eui64.hex(':')} now, and was {before.eui64.hex(':')}"
            notice = None if before.is_guess else Notice("device-changed", text, None, 0)
            self._contest(before)
        if len(self.known) >= MOST_DEVICES and place not in self.known:
            self._forget(next(iter(self._only_told or self.known)))
        if place not in self.known:
            self._only_told[place] = True
        self._put(device)
        return notice

    def opens(self, pan: int | None, short: bytes) -> None:
        """Note that who has a short address opened a frame."""
        self._only_told.pop((pan, int.from_bytes(short, "big")), None)

    def learned(self, pan: int | None, short: bytes) -> Device | None:
        """Return who is said to have a short address, as the air told it; None where nobody was, or it was given."""
        return self.known.get((pan, int.from_bytes(short, "big")))

    def claims(self, pan: int | None, short: bytes) -> tuple[Device, ...]:
        """Return who else was said to have a short address, the first of them first."""
        return tuple(self._claims.get((pan, int.from_bytes(short, "big")), ()))

    def try_claim(self, device: Device) -> Device:
        """Let one of these have the address; return who had it."""
        before = self.known.get((device.pan, device.short))
        if before is None:
            key = _key(device)
            given = self._given.get(key, self._given.get(device.short, b""))
            before = device._replace(eui64=given, how=GIVEN, number=0)
        self._put(device)
        return before

    def take_back(self, before: Device) -> None:
        """Let the one have the address again who had it."""
        if before.how != GIVEN:
            self._put(before)
            return
        self._tell(before.short)
        del self.known[before.pan, before.short]
        self._restore(_key(before))

    def prove(self, device: Device, before: Device) -> None:
        """Keep a device, which opened a frame, before all others that are said to have its address."""
        claims = self._claims[device.pan, device.short]
        claims.remove(device)
        claims.insert(0, device)
        self._contest(before)

    def _contest(self, device: Device) -> None:
        """Remember a device that is said to have an address, or had it; the first such, and the last ones."""
        claims = self._claims.setdefault((device.pan, device.short), [])
        if all(one.eui64 != device.eui64 for one in claims):
            claims.append(device)
            del claims[1 : 1 - MOST_CLAIMS]

    def _put(self, device: Device) -> None:
        self._tell(device.short)
        # the table is shared with all who read frames: it is theirs to look up, and changed here alone
        dict.__setitem__(self.table, _key(device), device.eui64)
        self.known[device.pan, device.short] = device

    def _tell(self, short: int) -> None:
        if self.watch is not None:
            self.watch(short)

    def _forget(self, place: Place) -> None:
        key = _key(self.known.pop(place))
        self._claims.pop(place, None)
        self._only_told.pop(place, None)
        self._tell(place[1])
        self._restore(key)

    def _restore(self, key: int | tuple[int, int]) -> None:
        """Let the table have what was given under a key, or nothing."""
        if key in self._given:
            dict.__setitem__(self.table, key, self._given[key])
        elif key in self.table:
            dict.__delitem__(self.table, key)


def _key(device: Device) -> int | tuple[int, int]:
    """Return under what the table has it."""
    return device.short if device.pan is None else (device.pan, device.short)
