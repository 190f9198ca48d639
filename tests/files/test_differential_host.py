"""The same operations on a host directory and on the model or a store: outcomes, positions, sizes and contents agree.

Errors are compared by errno. The host is the outside truth (Linux, as POSIX.1-2017 has it); it is opened unbuffered.
"""

import shutil
import tempfile
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from tests.support.sides import (
    BUFFERS,
    KINDS,
    MODE_CHOICES,
    SLOTS,
    UNFIT_NAMES,
    Driver,
    Operation,
    difference,
    disagreement,
    make_side,
    random_operations,
)

NAMES = ["a", "b", "c/d", "c/e", "ü"]
ODD_NAMES = [*NAMES, *UNFIT_NAMES]


def run_both(directory: Path, kind: str, operations: list[Operation]) -> None:
    host, ours = Driver(make_side("host", directory)), Driver(make_side(kind, directory))
    for at, operation in enumerate(operations):
        fault = disagreement(host, ours, operation)
        if fault is None and at % 10 == 0:
            fault = difference(host, ours)
        assert fault is None, f"operation {at}: {fault}"
    host.close_all()
    ours.close_all()
    assert difference(host, ours) is None


@pytest.mark.parametrize("kind", KINDS[1:])
@pytest.mark.parametrize("seed", range(30))
def test_random_operations(tmp_path: Path, kind: str, seed: int) -> None:
    random = Random(seed)
    names = ODD_NAMES if seed % 3 == 0 else NAMES[: 1 + seed % 5]
    run_both(tmp_path, kind, random_operations(random, 300, names, extent=random.choice((40, 600, 3000))))


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS[1:])
@pytest.mark.parametrize("seed", range(1000, 1200))
def test_random_operations_at_length(tmp_path: Path, kind: str, seed: int) -> None:
    run_both(tmp_path, kind, random_operations(Random(seed), 3000, NAMES, extent=Random(seed).choice((40, 600, 3000))))


# Each statement: the slot of an open file, what to do, with what. "x*300" is three hundred x.
CASES = {
    "a gap reads as zeros": "0 open a w+; 0 write x; 0 seek 900; 0 write y; 0 seek 0; 0 read",
    "a gap far from anything": "0 open a w+; 0 seek 5000; 0 write y; 0 seek 0; 0 read",
    "truncate extends with zeros": "0 open a w+; 0 write xyz; 0 cut 700; 0 seek 0; 0 read",
    "what was cut off does not come back": "0 open a w+; 0 write secret; 0 cut 1; 0 cut 6; 0 seek 0; 0 read",
    "flushed, cut off, and a write beyond": "0 open a w+; 0 write secret; 0 flush; 0 cut 1; 0 seek 9; 0 write z;"
    " 0 seek 0; 0 read",
    "truncate keeps the position": "0 open a w+; 0 write x*50; 0 cut 10; 0 write y; 0 seek 0; 0 read",
    "append goes to the end after a seek": "0 open a a+; 0 write one; 0 seek 0; 0 write two; 0 seek 0; 0 read",
    "append after another handle's": "0 open a a; 1 open a a; 0 write one; 1 write two; 0 write three; size a",
    "append after another truncated": "0 open a a; 0 write one; 1 open a w; 0 write two; size a; 2 open a r; 2 read",
    "an empty write past the end": "0 open a w; 0 seek 100; 0 write ; size a",
    "an empty append after a seek": "0 open a a; 0 write abc; 0 seek 1; 0 write ; 0 write d; size a",
    "a negative seek leaves the position": "0 open a w+; 0 write abc; 0 seek -1; 0 seek -4 1; 0 seek -4 2; 0 seek -3 2",
    "update in place": "0 open a w; 0 write 0123456789*60; 0 open a r+; 0 seek 255; 0 write ab; 0 read 3;"
    " 0 write cd; 0 seek 0; 0 read",
    "another handle sees what waits": "0 open a w; 1 open a r; 0 write abc; 1 read; size a; 0 write def; 1 read",
    "a removed open file lives on": "0 open a w+; 0 write abc; remove a; exists a; 0 write def; 0 flush; 0 seek 0;"
    " 0 read; 1 open a w+;"
    " 1 write new; 0 seek 0; 0 read; 0 cut 2; 0 close; 1 seek 0; 1 read",
    "a renamed open file follows": "0 open a w+; 0 write abc; rename a b; 0 write def; size b; exists a;"
    " 1 open a x; 1 write other;"
    " 0 seek 0; 0 read; names ",
    "a replaced open file lives on": "0 open b w+; 0 write old; 1 open a w+; 1 write new!; rename a b; 0 write er;"
    " size b; 0 seek 0; 0 read;"
    " 0 close; 1 seek 0; 1 read",
    "rename to itself": "0 open a w; 0 write abc; rename a a; size a; rename q q",
    "truncated at open while another writes": "0 open a w+; 0 write x*300; 1 open a w; 0 write yz; size a;"
    " 0 seek 0; 0 read",
    "wrong direction": "0 open a w; 0 read 1; 0 read 0; 0 read; 0 readinto 1; 0 readline; 0 open a r; 0 write ;"
    " 0 write x; 0 cut 0; 0 cut",
    "truncate by name": "truncate a 3; 0 open a w+; 0 write abcdef; truncate a 2; 0 write gh; truncate a 20;"
    " truncate a -1; 0 seek 0; 0 read",
    "no name": "0 open a w; rename a ; rename  b; 1 open  w; remove ; truncate  3; size ; exists ",
    "an overlong name": "0 open a w; rename a n*300; 1 open n*300 w; 1 open n*300 r; remove n*300;"
    " truncate n*300 3; size n*300; exists n*300",
    "a NUL in a name": "0 open a w; rename a a\0b; rename a\0b c; 1 open a\0b w; remove a\0b; truncate a\0b 3;"
    " size a\0b; exists a\0b",
    "a missing file": "0 open a r; 0 open a r+; remove a; rename a b; size a; exists a; truncate a 3; names ",
    "prefixes": "0 open c/d w; 0 open c/e w; 0 open c w; 0 open d w; names c; names c/; names c/d; names x; names ",
}


def operations_of(case: str) -> list[Operation]:
    return [parsed(statement.removeprefix(" ")) for statement in case.split(";")]


def parsed(statement: str) -> Operation:
    words = [word.split("*")[0] * int(word.split("*")[1]) if "*" in word else word for word in statement.split(" ")]
    if not words[0].isdecimal():
        return (words[0], *(int(word) if word.lstrip("-").isdecimal() else word for word in words[1:]))
    slot, what, *rest = int(words[0]), *words[1:]
    if what == "write":
        return (what, slot, rest[0].encode(), "bytes")
    if what == "open":
        return (what, slot, *rest)
    defaults = {"seek": (0, 0), "read": (-1,), "cut": (None,)}.get(what, ())
    given = tuple(int(word) for word in rest)
    return (what, slot, *given, *defaults[len(given) :])


@pytest.mark.parametrize("kind", KINDS[1:])
@pytest.mark.parametrize("case", CASES)
def test_case(tmp_path: Path, kind: str, case: str) -> None:
    run_both(tmp_path, kind, operations_of(CASES[case]))


class AgainstHost(RuleBasedStateMachine):
    """Hypothesis picks the operations and shrinks what fails."""

    kind = "model"

    @initialize()
    def begin(self) -> None:
        self.directory = Path(tempfile.mkdtemp())
        self.host, self.ours = Driver(make_side("host", self.directory)), Driver(make_side(self.kind, self.directory))

    def do(self, *operation: Any) -> None:
        assert disagreement(self.host, self.ours, operation) is None

    slots = st.integers(0, SLOTS - 1)
    names = st.sampled_from(ODD_NAMES)
    sizes = st.one_of(st.integers(0, 5), st.integers(0, 1500))

    @rule(slot=slots, name=names, mode=st.sampled_from(MODE_CHOICES))
    def open(self, slot: int, name: str, mode: str) -> None:
        self.do("open", slot, name, mode)

    data = st.one_of(st.binary(max_size=40), st.integers(0, 900).map(bytes))

    @rule(slot=slots, data=data, buffer=st.sampled_from(list(BUFFERS)))
    def write(self, slot: int, data: bytes, buffer: str) -> None:
        self.do("write", slot, data, buffer)

    @rule(slot=slots, what=st.sampled_from(["read", "readinto"]), size=sizes)
    def read(self, slot: int, what: str, size: int) -> None:
        self.do(what, slot, size)

    @rule(slot=slots, what=st.sampled_from(["close", "flush", "readline"]))
    def plain(self, slot: int, what: str) -> None:
        self.do(what, slot)

    @rule(slot=slots, offset=st.one_of(sizes, st.integers(-900, 900)), whence=st.sampled_from([0, 1, 2, 9]))
    def seek(self, slot: int, offset: int, whence: int) -> None:
        self.do("seek", slot, offset, whence)

    @rule(slot=slots, size=st.one_of(st.none(), sizes))
    def cut(self, slot: int, size: int | None) -> None:
        self.do("cut", slot, size)

    @rule(name=names, what=st.sampled_from(["remove", "size", "exists", "names"]))
    def by_name(self, name: str, what: str) -> None:
        self.do(what, name)

    @rule(old=names, new=names)
    def rename(self, old: str, new: str) -> None:
        self.do("rename", old, new)

    @rule(name=names, size=sizes)
    def truncate(self, name: str, size: int) -> None:
        self.do("truncate", name, size)

    @invariant()
    def same_contents(self) -> None:
        if hasattr(self, "host"):
            assert difference(self.host, self.ours) is None

    def teardown(self) -> None:
        if hasattr(self, "host"):
            self.host.close_all()
            self.ours.close_all()
            shutil.rmtree(self.directory)


@pytest.mark.parametrize("kind", KINDS[1:])
def test_hypothesis_finds_no_difference(kind: str) -> None:
    machine = type("Against" + kind, (AgainstHost,), {"kind": kind})
    test = machine.TestCase  # type: ignore[attr-defined]
    test.settings = settings(max_examples=40, stateful_step_count=30, deadline=None, derandomize=True, database=None)
    test().runTest()
