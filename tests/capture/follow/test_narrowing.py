"""Whatever is given as node, flow and time is either used or refused in words."""

import contextlib

from capture.captures import mixed, records
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
