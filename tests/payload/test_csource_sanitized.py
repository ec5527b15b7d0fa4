"""Generated C under the address and undefined-behaviour sanitizers: no octets at all make it stumble.

One program holds many random formats. Each runs its self-test, then unpacks right octets that were
cut, extended and changed, and wholly random ones, each from memory of exactly its size; what can be
read is packed again into memory of exactly its size.
"""

import subprocess
from pathlib import Path

import pytest
from compiled.shared import SharedHelpers
from payload.c_library import compiled, needs_gcc, written
from payload.test_csource import SANITIZERS
from payload.test_csource_random import drawn

from lowpanbudget.payload.c.source import generate

pytestmark = needs_gcc

FORMATS = 10  # of each strategy
ROUNDS = 400  # wrong octets a format

_COMMON = """
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static uint32_t state = 2463534242u; /* an xorshift generator: the same octets in every run */
static uint32_t next(void)
{
    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state;
}
static unsigned long read_well, read_badly;
"""

_EACH = """
#define %(P)s_SELF_TEST
%(source)s
static int %(p)s_try(void)
{
    static const struct { const uint8_t *octets; size_t length; } seeds[] = {%(seeds)s};
    static struct %(p)s message;
    for (int round = 0; round < %(rounds)d; round++) {
        size_t seed = next() %% (sizeof seeds / sizeof seeds[0]);
        size_t whole = seeds[seed].length;
        size_t length = next() %% 3 == 0 ? whole : next() %% (whole + 4);
        uint8_t *octets = malloc(length > 0 ? length : 1);
        size_t used = 0;
        if (octets == NULL) return 1;
        for (size_t at = 0; at < length; at++)
            octets[at] = (uint8_t)(round %% 4 != 0 && at < whole ? seeds[seed].octets[at] : next());
        for (uint32_t flips = next() %% 4; flips > 0 && length > 0; flips--) {
            size_t at = next() %% length;
            octets[at] = (uint8_t)(octets[at] ^ (1u << (next() %% 8)));
        }
        (void)%(p)s_unpack(&message, octets, length);
        if (%(p)s_unpack_prefix(&message, octets, length, &used) == %(P)s_OK) {
            uint8_t *again = malloc(used > 0 ? used : 1);
            size_t packed = 0;
            if (again == NULL || used > length) return 2;
            /* a series that came with an escape it did not need packs into fewer octets */
            if (%(p)s_pack(&message, again, used, &packed) == %(P)s_OK) {
                size_t less = 0;
                if (packed > used) return 3;
                if (packed > 0 && %(p)s_pack(&message, again, packed - 1, &less) != %(P)s_NO_ROOM) return 4;
            }
            free(again);
            read_well++;
        } else {
            read_badly++;
        }
        free(octets);
    }
    return %(p)s_self_test() != 0 ? 5 : 0;
}
"""


@pytest.mark.long  # examples run under the same sanitizers in test_csource, random ones with wrong octets beside
def test_no_octets_make_it_stumble(tmp_path: Path) -> None:
    text, names, helpers = (
        [_COMMON],
        [],
        SharedHelpers(),
    )  # functions that are alike are compiled once
    formats = drawn(FORMATS)
    for index, (message, many) in enumerate(formats):
        made = generate(message, prefix=f"m{index}", floats=index % 3 > 0)
        written(made, tmp_path)
        names.append(f"m{index}")
        seeds = ", ".join(
            f"{{m{index}_octets_{k}_, sizeof m{index}_octets_{k}_}}"
            for k in range(1, made.vectors + 1)
        )
        source = helpers.source(made.source.text, f"m{index}")
        known = {"p": f"m{index}", "P": f"M{index}", "seeds": seeds, "rounds": ROUNDS}
        text.append(_EACH % {**known, "source": source})
        assert many
    calls = "".join(
        f"    if ((result = {name}_try()) != 0) return {k};\n" for k, name in enumerate(names, 1)
    )
    text.append(
        f"int main(void)\n{{\n    int result;\n{calls}"
        '    printf("%lu %lu\\n", read_well, read_badly);\n    return 0;\n}\n'
    )
    main = tmp_path / "main.c"
    main.write_text("".join(text))
    program = compiled([main], tmp_path / "program", "-O0", *SANITIZERS)
    done = subprocess.run([program], capture_output=True, text=True, check=False, timeout=600)
    assert not done.stderr, done.stderr[:4000]
    assert done.returncode == 0, formats[done.returncode - 1][0]
    well, badly = map(int, done.stdout.split())
    assert well + badly == len(names) * ROUNDS
    assert min(well, badly) > ROUNDS  # both kinds were met often
