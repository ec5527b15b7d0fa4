"""The generated decoders under libFuzzer, which is guided by the branches that an input reaches, and then Python.

    PYTHONPATH=tests nice python -m compiled.guided --schemas 100 --seconds 60

Formats of all kinds stand in one program of clang with the sanitizers; the first two octets of an input choose one.
What is read is packed, read and packed again, unless it is floating point beyond its range, which only packing
refuses. The inputs that reached something new are then given to Python's ``unpack``: the same verdict, the same values.
"""

import argparse
import os
import re
import shutil
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

from compiled import judge
from compiled.batch import Batch, Case
from compiled.run import BUILD
from compiled.targets import SANITIZERS, TARGETS, WARNINGS
from trust.report import Report, Row, write

from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.search.tree import walk

_ENTRY = """
static size_t try{k}(const uint8_t *octets, size_t length)
{{
    static struct m{k} message, again;
    static uint8_t first[M{k}_MAX_OCTETS + 1], second[M{k}_MAX_OCTETS + 1];
    size_t used = 0, once = 0, twice = 0;
    enum m{k}_result packed;
    (void)m{k}_unpack(&message, octets, length);
    if (m{k}_unpack_prefix(&message, octets, length, &used) != M{k}_OK) return 0;
    packed = m{k}_pack(&message, first, sizeof first, &once);
    if (packed > M{k}_NO_ROOM && {ranged}) return 0;
    if (packed != M{k}_OK || used > length || once > used) abort();
    if (m{k}_unpack(&again, first, once) != M{k}_OK || m{k}_pack(&again, second, sizeof second, &twice) != M{k}_OK)
        abort();
    for (size_t index = 0; index < once; index++)
        if (once != twice || first[index] != second[index]) abort();
    return used;
}}
"""
_MAIN = """
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{{
    static size_t (*const tries[])(const uint8_t *, size_t) = {{{tries}}};
    uint8_t *octets;
    if (size < 2) return 0;
    octets = malloc(size - 1); /* exactly as long as it says: the place behind it is guarded */
    if (octets == NULL) abort();
    for (size_t index = 2; index < size; index++) octets[index - 1] = data[index];
    (void)tries[(data[0] << 8 | data[1]) % {count}](octets + 1, size - 2);
    free(octets);
    return 0;
}}
"""


def ranged(plan: judge.Plan) -> int:
    """Return 1 if a format has floating point with a limit."""
    floats = [field for _, field in walk(plan.message.fields) if isinstance(field, Float)]
    return int(any((field.min, field.max) != (None, None) for field in floats))


def built(batch: Batch) -> Path:
    """Return the program, with inputs to begin with beside it."""
    headers = "".join(f'#include "m{k}.c"\n' for k in range(batch.count))
    tries = ", ".join(f"try{k}" for k in range(batch.count))
    source = batch.folder / "guided.c"
    source.write_text(
        "#include <stdlib.h>\n"
        + headers
        + "".join(_ENTRY.format(k=k, ranged=ranged(plan)) for k, plan in enumerate(batch.plans))
        + _MAIN.format(tries=tries, count=batch.count)
    )
    command = [
        "clang",
        "-std=c99",
        "-O1",
        *WARNINGS,
        "-fsanitize=fuzzer",
        *SANITIZERS,
        "-o",
        "guided",
    ]
    subprocess.run([*command, source.name], cwd=batch.folder, check=True)
    corpus = batch.folder / "corpus"
    corpus.mkdir(exist_ok=True)
    for k, plan in enumerate(batch.plans):
        for number, (_, octets) in enumerate(plan.values[:4]):
            corpus.joinpath(f"{k}-{number}").write_bytes(k.to_bytes(2, "big") + octets)
    return batch.folder / "guided"


def kept(batch: Batch) -> list[Case]:
    """Return the inputs that reached something new, as cases with what Python says of them."""
    made = []
    for file in sorted(batch.folder.joinpath("corpus").iterdir()):
        data = file.read_bytes()
        if len(data) < 2:
            continue
        index, octets = int.from_bytes(data[:2], "big") % batch.count, data[2:]
        head = b"U" + index.to_bytes(2, "little") + len(octets).to_bytes(4, "little")
        verdict = judge.said(batch.plans[index].message, octets)
        made.append(Case("U", index, head + octets, verdict, octets))
    return made


def main(words: list[str] | None = None) -> int:
    """Search, judge, and return the exit code."""
    parser = argparse.ArgumentParser(prog="compiled.guided")
    parser.add_argument("--schemas", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--report", default="", help="write tests/trust/reports/NAME.json")
    options, start = parser.parse_args(words), time.time()
    folder = (BUILD / f"guided-{os.getpid()}").absolute()
    batch = Batch(options.seed, 0, options.schemas, folder)
    batch.prepare()
    program = built(batch)
    found = subprocess.run(
        [program, "corpus", f"-max_total_time={options.seconds}", "-max_len=500", "-print_final_stats=1"],
        cwd=folder, capture_output=True, text=True, check=False, errors="replace",
    )  # fmt: skip
    done = re.search(r"stat::number_of_executed_units: (\d+)", found.stderr)
    row = Row("generated decoders, clang with libFuzzer", int(done[1]) if done else 0, "inputs")
    if found.returncode:
        print(found.stderr[-4000:])
        row.wrong = 1
    batch.cases[TARGETS[0].abi] = cases = kept(batch)
    faults = batch.compare(TARGETS[0], batch.program(TARGETS[0]))
    row.wrong += len(faults)
    kinds = Counter(case.expected.kind for case in cases)
    row.figures = {"schemas": batch.count, "judged_by_python": len(cases), **kinds}
    print(f"{row.what}: {row.tried} {row.unit}, {row.wrong} wrong, {row.figures}")
    for fault in faults[:10]:
        print(fault[:2000])
    if not row.wrong:
        shutil.rmtree(folder)
    if options.report:
        command = "PYTHONPATH=tests python -m compiled.guided " + " ".join(words or sys.argv[1:])
        write(Report(options.report, command, [row], seconds=round(time.time() - start)))
    return 1 if row.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
