"""Times in words: three digits, of the time itself and not of what was rounded before."""

import pytest

from lowpanbudget.capture.follow.clock import duration


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (15_360, "4.27 h"),  # 4.2667
        (119.6, "1.99 min"),  # 1.9933
        (59.999, "1 min"),
        (3_599.9, "1 h"),
        (90, "1.5 min"),
        (0.0154, "15.4 ms"),
    ],
)
def test_a_time_has_three_digits(seconds: float, text: str) -> None:
    assert duration(seconds) == text
