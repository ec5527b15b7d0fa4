"""Times that were played, with no more digits than the simulation gives."""

from lowpanbudget.deployment.service import HopService, QuantileRange, Quantiles
from lowpanbudget.report.arrival_text import latency_texts, queue_text, seconds_text


def service(latency: Quantiles, *ranges: QuantileRange) -> HopService:
    return HopService(
        "up", "reading", "up", 1, 1, 1.0, None, 0.0, latency, None, latency_ranges=ranges
    )


def test_exact_times_have_three_digits() -> None:
    assert latency_texts(service(Quantiles(0.5304, 1.176, 1.809))) == ["0.53", "1.18", "1.81"]


def test_played_times_end_where_the_simulation_does() -> None:
    """A tenth of a second open: tenths are shown. Of the last one its least alone is known."""
    played = service(
        Quantiles(0.675, 1.176, 1.809),
        QuantileRange(0.5, 0.572, 0.771), QuantileRange(0.95, 1.171, 1.181), QuantileRange(0.99, 1.234, None),
    )  # fmt: skip
    assert latency_texts(played) == ["0.7", "1.18", "> 1.2"]
    assert latency_texts(played, 1000) == ["700", "1180", "> 1200"]


def test_a_time_keeps_one_digit() -> None:
    assert [seconds_text(12.34, half) for half in (0.0, 0.02, 0.5, 2.0, 90.0)] == [
        "12.3", "12.3", "12.3", "12", "10",
    ]  # fmt: skip
    assert seconds_text(0.0, 1.0) == "0"


def test_what_queues_add_ends_there_as_well() -> None:
    one = HopService(
        "up", "reading", "up", 1, 1, 1.0, None, 0.0, None, None, queue_s=0.267, queue_half_width_s=0.11, messages=140,
    )  # fmt: skip
    assert queue_text(one) == "0.3"
