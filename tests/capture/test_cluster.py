"""Files surveyed by the executor of a cluster's client: the extra ``dask`` alone installs what this needs."""

from pathlib import Path
from typing import Any

import pytest
from capture.captures import CONTEXTS, KEY, SECOND, mixed, records

from lowpanbudget import load_design
from lowpanbudget.capture.files.writing import write_pcap
from lowpanbudget.capture.several import survey_files

distributed = pytest.importorskip(
    "distributed", reason="distributed is not installed: no cluster surveys files"
)


@pytest.mark.filterwarnings("default")  # what a cluster warns of is not ours to mend
def test_a_cluster_in_this_process_gives_the_same(tmp_path: Path) -> None:
    paths = [tmp_path / f"{n}.pcap" for n in range(3)]
    for n, path in enumerate(paths):
        with path.open("wb") as file:
            write_pcap(file, records(mixed(60, seed=n), step_ns=SECOND), 195)
    known: Any = {
        "contexts": CONTEXTS, "keys": KEY, "design": load_design("examples/archive.toml"), "every": 10,
    }  # fmt: skip
    quiet: Any = {
        "processes": False,
        "n_workers": 1,
        "threads_per_worker": 2,
        "dashboard_address": None,
    }
    with distributed.LocalCluster(**quiet) as cluster, distributed.Client(cluster) as client:
        found = list(survey_files(paths, executor=client.get_executor(), **known))
    assert found == list(survey_files(paths, **known))
