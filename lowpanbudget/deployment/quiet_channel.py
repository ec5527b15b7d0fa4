"""A hop of CSMA-CA where every CCA finds the channel busy with one and the same chance: a bound for a quiet channel.

With other senders near, the second CCA is busy far more often than the first and colliders meet again: there these
forms are kind by an order of magnitude and more, and ``contention`` plays it. The form follows the analysis of
unslotted CSMA-CA in the literature (Di Marco, Park, Fischione, Johansson, IEEE TVT 2012), derived again.
"""

from typing import TYPE_CHECKING

from lowpanbudget.deployment.contention_rules import CsmaRules
from lowpanbudget.deployment.delays import Delays, delays
from lowpanbudget.values import dataclass

if TYPE_CHECKING:
    import numpy as np


@dataclass(frozen=True, slots=True)
class QuietHop:
    """One hop: ``busy`` is the chance of a busy CCA, ``succeeds`` that frame and answer of one attempt arrive."""

    rules: CsmaRules
    busy: float
    succeeds: float

    @property
    def _no_access(self) -> float:
        return self.busy ** (self.rules.backoffs + 1)

    @property
    def _again(self) -> float:
        return (1 - self.succeeds) * (1 - self._no_access)

    @property
    def lost_for_access(self) -> float:
        """Return the share that is given up because the channel was busy too often."""
        attempts, again = self.rules.retries + 1, self._again
        tries = attempts if again == 1 else (1 - again**attempts) / (1 - again)
        return self._no_access * tries

    @property
    def lost_for_retries(self) -> float:
        """Return the share of which no attempt succeeded."""
        return float(self._again ** (self.rules.retries + 1))

    @property
    def delivered(self) -> float:
        """Return the share that arrives."""
        return 1 - self.lost_for_access - self.lost_for_retries

    def delays(
        self, air_us: float, answer_us: float, step_us: float, *, answered: bool = True
    ) -> Delays:
        """Return how long a frame of this airtime takes, its acknowledgement included, in steps such as a symbol.

        Not ``answered``: only until the frame itself is there. Times are rounded to steps. The pause behind the frame
        is not part of it.
        """
        import numpy as np  # noqa: PLC0415

        rules = self.rules

        def steps(us: float) -> int:
            return round(us / step_us)

        access = self._access(steps(rules.unit_us), steps(rules.cca_us))
        sends = steps(rules.turnaround_us + air_us)
        answer = steps(rules.turnaround_us + answer_us) if answered else 0
        good = np.concatenate((np.zeros(sends + answer), access * self.succeeds))
        bad = np.concatenate((np.zeros(sends + steps(rules.ack_wait_us)), access * (1 - self.succeeds)))  # fmt: skip
        size = len(bad) * rules.retries + len(good)
        shares, before = np.zeros(size), np.ones(1)
        for _ in range(rules.retries + 1):
            now = _convolved(before, good)
            shares[: len(now)] += now
            before = _convolved(before, bad)
        return delays(step_us / 1e6, shares)

    def _access(self, unit: int, cca: int) -> "np.ndarray":
        """Return the shares of steps up to the end of the CCA that finds the channel free."""
        import numpy as np  # noqa: PLC0415

        rules = self.rules
        windows = [
            1 << min(rules.min_be + stage, rules.max_be) for stage in range(rules.backoffs + 1)
        ]
        size = sum((window - 1) * unit + cca for window in windows) + 1
        found, waited = np.zeros(size), np.ones(1)
        for window in windows:
            wait = np.zeros((window - 1) * unit + cca + 1)
            wait[cca::unit] = 1 / window
            waited = _convolved(waited, wait)
            found[: len(waited)] += (1 - self.busy) * waited
            waited = waited * self.busy
        return found


def _convolved(one: "np.ndarray", other: "np.ndarray") -> "np.ndarray":
    """Return the distribution of a sum; directly where one is short, so that nothing is lost to rounding."""
    import numpy as np  # noqa: PLC0415

    if min(len(one), len(other)) < 64:
        return np.convolve(one, other)
    length = len(one) + len(other) - 1
    size = 1 << (length - 1).bit_length()
    whole = np.fft.irfft(np.fft.rfft(one, size) * np.fft.rfft(other, size), size)[:length]
    return np.maximum(whole, 0.0)


def throughput_bps(rules: CsmaRules, payload_octets: int, air_us: float, answer_us: float) -> float:
    """Return the bits a second of application data that one sender alone gets through, frame after frame.

    Mean backoff, CCA, turnaround, frame, acknowledgement with its turnaround (none where ``answer_us`` is 0), spacing.
    """
    wait = (2**rules.min_be - 1) / 2 * rules.unit_us
    answer = rules.turnaround_us + answer_us if answer_us else 0.0
    whole = wait + rules.cca_us + rules.turnaround_us + air_us + answer + rules.spacing_us
    return float(payload_octets * 8 / whole * 1e6)
