"""Which devices registered which addresses: those of two, and those that a device has left for another."""

from ipaddress import IPv6Address

from lowpanbudget.capture.recent import Recent
from lowpanbudget.env import IID_MASK
from lowpanbudget.values import dataclass, field


@dataclass(slots=True)
class RegisteredAddresses:
    """``shared`` are addresses that two devices registered at a time; ``left``: by interface identifier, the next one.

    ``last`` are the identifiers that devices, by EUI-64, registered last.
    """

    shared: Recent[int | None, bool] = field(default_factory=Recent)
    left: Recent[int, int] = field(default_factory=Recent)
    last: Recent[bytes, int] = field(default_factory=Recent)

    def take(self, eui: bytes, address: IPv6Address) -> None:
        """Take the registration of a device: its address before, where that is another, is left."""
        now = int(address) & IID_MASK
        before = self.last.renew(eui, now)
        self.left.pop(now, None)
        if before is not None and before != now:
            self.left.renew(before, now)
