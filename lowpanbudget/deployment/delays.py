"""How long something takes, as exact shares on a grid of equal steps; what never arrives is missing from their sum."""

from typing import TYPE_CHECKING

from lowpanbudget.values import dataclass, field

if TYPE_CHECKING:
    import numpy as np

_NOTHING = 1e-15  # shares below are noise of the transform


@dataclass(frozen=True, slots=True)
class Delays:
    """The share that takes 0, 1, 2 ... steps of ``step_s`` seconds. The shares add up to what arrives at all."""

    step_s: float
    shares: "np.ndarray" = field(repr=False, compare=False)

    @property
    def delivered(self) -> float:
        """Return the share that arrives."""
        return float(self.shares.sum())

    @property
    def mean_s(self) -> float:
        """Return the mean over what arrives, in seconds; 0 where nothing does."""
        import numpy as np  # noqa: PLC0415

        steps = float(self.shares @ np.arange(len(self.shares)))
        return steps * self.step_s / self.delivered if self.delivered else 0.0

    def quantile_s(self, share: float) -> float:
        """Return the seconds in which this share of what arrives is there."""
        sums = self.shares.cumsum()
        # a sum of thousands of shares is off by its last digits
        return float(sums.searchsorted(share * sums[-1] * (1 - 1e-12))) * self.step_s

    def within(self, seconds: float) -> float:
        """Return the share of all that is there after so many seconds."""
        steps = int(seconds / self.step_s + 1e-9)
        return float(self.shares[: steps + 1].sum()) if seconds >= 0 else 0.0

    def times(self, count: int) -> "Delays":
        """Return how long so many of the same take, one after the other."""
        return in_turn([(self, count)])


def in_turn(parts: "list[tuple[Delays, int]]") -> Delays:
    """Return how long independent parts take one after the other, each so many times.

    By the fast transform: direct convolution of twelve hops is some hundred times slower. Shares below 1e-15 are not
    told apart from nothing.
    """
    import numpy as np  # noqa: PLC0415

    length = 1 + sum((len(part.shares) - 1) * count for part, count in parts)
    size = 1 << (length - 1).bit_length() if length > 1 else 2
    whole = np.ones(size // 2 + 1, dtype=complex)
    for part, count in parts:
        whole *= np.fft.rfft(part.shares, size) ** count
    shares = np.fft.irfft(whole, size)[:length]
    shares[shares < _NOTHING] = 0.0
    return delays(parts[0][0].step_s, shares)


def delays(step_s: float, shares: "np.ndarray") -> Delays:
    """Return delays of these shares, which cannot be changed from then on."""
    shares.flags.writeable = False
    return Delays(step_s, shares)
