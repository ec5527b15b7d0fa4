"""Whatever is given as node, flow and time is either used or refused in words."""

import contextlib

import pytest
from capture.captures import SECOND, mixed, records
from hypothesis import given, settings
from hypothesis import strategies as st

from lowpanbudget import RequestError, survey

RECORDS = records(mixed(8))
GIVEN = st.one_of(
    st.text("0123456789abcdef:.-xTZ+ /[]%\u0663", max_size=24), st.text(max_size=8),
    st.floats(), st.integers(), st.binary(max_size=9),
)  # fmt: skip


@settings(max_examples=60)
@given(st.sampled_from(["node", "flow", "since", "until"]), GIVEN)
def test_any_value(name: str, value: object) -> None:
    with contextlib.suppress(RequestError):
        assert survey(RECORDS, **{name: value}).total.frames <= len(RECORDS)  # type: ignore[arg-type]


@pytest.mark.parametrize("since", [0.1 + 0.2, 1e3 / 3, 1e-5, 7, "0.30000000000000004"])
def test_a_number_that_was_calculated_is_a_time(since: float | str) -> None:
    seen = survey(RECORDS, since=since)
    assert seen.total.frames == sum(
        one.time_ns >= float(since) * SECOND for one in RECORDS if one.time_ns is not None
    )


def test_a_span_that_was_calculated() -> None:
    series = survey(RECORDS, every=1e3 / 3).series
    assert series is not None
    assert series.asked_ns == 333_333_333_333


def test_a_number_is_a_short_address_or_a_port() -> None:
    assert survey(RECORDS, node=0x0100).total == survey(RECORDS, node="0x0100").total
    assert survey(RECORDS, node=0x0100).total.frames > 0
    assert survey(RECORDS, flow=0xF0B2).total == survey(RECORDS, flow="61618").total
    with pytest.raises(RequestError, match="70000"):
        survey(RECORDS, flow=70000)
