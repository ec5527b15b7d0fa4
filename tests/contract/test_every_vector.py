"""Every vector is read by a test of this folder, or stands here with the reason why public names do not reach it."""

from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from contract.vectors import FILES, VECTORS
from vector_files import document

# keys of a case that the modules of this folder run; the first that is there decides
RUN = {
    "lowpan", "fragments",  # test_vectors
    "wire",  # test_vector_frames with fcs, else test_vector_upper
    "message", "header", "container",  # test_vector_messages, header of RFC 8931 in test_vector_stories
    "code",  # test_vector_upper
    "step",  # test_vector_stories
    "row", "value", "protected", "datagrams",  # test_vector_upper
    "names", "flags", "each", "air",  # test_registries, test_findings
    "level", "sum",  # the arithmetic in test_vectors, test_counted_rooms
}  # fmt: skip
# no command and no public function does this alone
INSIDE = {
    "ieee802154/rfc3610.toml": "AES-CCM with a nonce of its own; sealed frames stand in security.toml",
    "rfc6347/sessions.toml": "records are opened with keys of a session; its handshake is run",
    "rfc8138/appendix-a.3.toml": "a forwarder pops hops; what each node receives stands in figures-22-to-25.toml",
    "rfc8613/appendix-c.toml": "keys are derived and messages protected; the protected messages are run",
    "rfc6347/section-4.toml": "only the ends of a session know the length of a connection ID and the suite",
    "rfc9147/section-4.toml": "as rfc6347/section-4.toml",
    "rfc7400/section-2.toml": "bounds other than the datagram's, and a stop code in the last header",
}


def cases_of(path: Path) -> list[dict[str, Any]]:
    text = document(path)
    return [case for value in text.values() if isinstance(value, list) for case in value]


def is_run(path: Path, case: dict[str, Any]) -> bool:
    if path.parent.name in ("rfc6347", "rfc9147") and {"cid_length", "suite"} & case.keys():
        return False
    if path.name == "section-2.toml" and path.parent.name == "rfc7400":
        return "limit" not in case and "stop" not in case["id"]
    return bool(RUN & case.keys())


@pytest.mark.parametrize("path", FILES, ids=[f"{path.parent.name}/{path.name}" for path in FILES])
def test_every_case_is_run_or_cannot_be(path: Path) -> None:
    name = f"{path.parent.name}/{path.name}"
    cases = cases_of(path)
    assert cases
    runs = Counter(is_run(path, case) for case in cases)
    assert (runs[False] == 0) != (name in INSIDE), runs


def test_all_that_is_named_is_there() -> None:
    assert {f"{path.parent.name}/{path.name}" for path in FILES} > INSIDE.keys()
    assert not list(VECTORS.glob("*/*/*.toml"))
