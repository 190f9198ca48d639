"""Expectations met and not met, each by a hair."""

import re
from typing import Any

import pytest

from simfs.flash import PowerCut
from simfs.replay.device.clock import NS_PER_DAY, NS_PER_YEAR
from simfs.replay.device.notes import NameFault, Refusal, TaskTally
from simfs.replay.scenario.expectations import Expect
from simfs.study.run.expect import LIMITS, STATES, Verdict, judge, surprises
from simfs.study.run.measure import figures
from tests.support.hand_built import MS, US, hand_built_run

REFUSALS = [Refusal("gauge", "append", "/a", "ENOSPC", 3, 0)]


def verdict(name: str, limit: object, **changes: Any) -> Verdict:
    run = hand_built_run(expect={name: limit}, **changes)
    stated, *_ = judge(run, figures(run))
    assert stated.name == name
    assert not stated.by_default
    return stated


@pytest.mark.parametrize(
    ("name", "measured", "hair"),
    [
        ("write_stall_max", 51_500 * US, 1),
        ("write_stall_p999_max", 500 * US, 1),
        ("write_stall_bound_max", 409 * MS, 1),
        ("held_read_max", 45 * MS, 1),
        ("mount_max", 9 * MS, 1),
        ("refused_max", 3, 1),
        ("write_amplification_max", 2.0, 0.001),  # 400 bytes programmed for 200
        ("erase_count_max", 2, 1),  # block 9
        ("energy_mj_per_day_max", 1.003257, 0.000001),
        ("file_count_max", 0, 1),
    ],
)
def test_upper_bounds(name: str, measured: float, hair: float) -> None:
    met, unmet = (verdict(name, limit, refusals=REFUSALS) for limit in (measured, measured - hair))
    assert (met.met, unmet.met) == (True, False)
    assert met.measured == measured
    assert not met.at_least


def test_room_and_ram_are_upper_bounds() -> None:
    run = hand_built_run()
    percent = 100 * 3000 / run.store.usage().capacity_bytes
    assert verdict("room_percent_max", percent).met
    assert not verdict("room_percent_max", percent * 0.999).met
    ram_bytes = sum(run.store.ram().values())
    assert verdict("ram_max", ram_bytes).met
    assert not verdict("ram_max", ram_bytes - 1).met


def test_life_is_a_lower_bound() -> None:
    # Block 9: an erase in 5 days, of 100,000 less what it has: just under 500,000 days, 1368.9 years.
    assert verdict("life_min", 1368 * NS_PER_YEAR).met
    unmet = verdict("life_min", 1369 * NS_PER_YEAR)
    assert not unmet.met
    assert unmet.at_least
    assert verdict("life_even_min", 1369 * NS_PER_YEAR).met
    assert verdict("life_min", unmet.measured).met
    assert not verdict("file_count_min", 1).met
    assert verdict("file_count_min", 0).met


def test_what_the_run_cannot_tell_is_not_met() -> None:
    unmet = verdict("life_min", NS_PER_DAY, duration_ns=0)
    assert (unmet.met, unmet.measured) == (False, None)
    assert not verdict("write_amplification_max", 100.0, tasks={}).met


def test_names_fit() -> None:
    faults = [NameFault("/a-very-long-name", "52 bytes with its end, 48 fit", "refused with ENAMETOOLONG")]
    assert verdict("names_fit", True).met
    assert verdict("names_fit", True, name_faults=faults).faults == (
        "/a-very-long-name: 52 bytes with its end, 48 fit",
    )
    assert verdict("names_fit", False, name_faults=faults).met
    assert not verdict("names_fit", False).met
    apart = [NameFault("/über", "it differs", "two files", breaks=False)]
    assert verdict("names_fit", True, name_faults=apart).met


def test_files_at_the_end() -> None:
    def faults(name: str, limit: object) -> tuple[str, ...]:
        run = hand_built_run(expect={name: limit})
        with run.store.open("/a", "w") as file:
            file.write("é\n".encode())
        (only,) = judge(run, figures(run))
        assert only.met == (not only.faults)
        return only.faults

    assert faults("files_present", ["/a"]) == ()
    assert faults("files_present", ["/a", "/b"]) == ("/b: not there",)
    assert faults("files_absent", ["/b"]) == ()
    assert faults("files_absent", ["/a"]) == ("/a: still there",)
    assert faults("file_sizes", {"/a": 3}) == ()
    assert faults("file_sizes", {"/a": 2, "/b": 0}) == ("/b: not there", "/a: 3 bytes, not 2")
    assert faults("file_texts", {"/a": "é\n"}) == ()
    assert faults("file_texts", {"/a": "e\n"}) == ("/a: holds something else",)
    assert faults("sound", True) == ()
    assert faults("sound", False) == ("the store is sound",)


def test_a_damaged_file_is_not_the_text_that_was_expected() -> None:
    run = hand_built_run(expect={"file_texts": {"/a": "harbour", "/b": "quay"}, "file_sizes": {"/a": 7}})
    for name, text in (("/a", b"harbour"), ("/b", b"quay")):
        with run.store.open(name, "w") as file:
            file.write(text)
    at = run.flash.image().index(b"harbour")
    run.flash.program(at, b"\0")
    texts, sizes, writable = judge(run, figures(run))
    assert (writable.name, writable.met, writable.by_default) == ("writable", False, True)
    assert not texts.met
    (fault,) = texts.faults
    assert re.fullmatch(rf"/a: damaged frame in block {at // 4096} at byte \d+ \(flash address 0x[0-9a-f]+\)", fault)
    assert sizes.met  # a size is known without reading the file


def test_files_left_open_are_no_traceback() -> None:
    run = hand_built_run(expect={"file_texts": {"/a": ""}})
    left_open = [run.store.open("/a", "a") for _ in range(run.store.config.open_files_max)]
    (only,) = judge(run, figures(run))
    assert only.faults == ("/a: Too many open files",)
    for file in left_open:
        file.close()


def test_a_flash_without_power_meets_nothing_that_must_be_read() -> None:
    class Cut:
        """Cuts the power at the next read."""

        def before_read(self, cells: memoryview, address: int, length: int) -> None:
            raise PowerCut

        def before_program(self, cells: memoryview, address: int, data: bytes) -> None: ...

        def before_erase(self, cells: memoryview, address: int, length: int) -> None: ...

    run = hand_built_run(expect={"file_texts": {"/a": "harbour"}, "sound": True, "file_count_min": 1})
    with run.store.open("/a", "w") as file:
        file.write(b"harbour")
    run.flash._faults, run.flash._read_end = Cut(), 0
    texts, sound, count = judge(run, figures(run))
    assert texts.faults == sound.faults == ("the store can't be read: the flash has no power",)
    assert not texts.met
    assert count.met


def test_everything_that_a_scenario_may_expect_is_judged() -> None:
    assert set(Expect.model_fields) - {"unmet"} == LIMITS.keys() | STATES.keys()


def test_what_is_not_set_is_not_judged() -> None:
    run = hand_built_run(expect={"life_min": None})
    assert judge(run, figures(run)) == ()


@pytest.mark.parametrize(
    ("changes", "name", "measured"),
    [
        ({"refusals": REFUSALS}, "refused_max", 3),
        ({"tasks": {"gauge": TaskTally("gauge", lost_records=4)}}, "lost_records_max", 4),
        ({"asked_ns": 9 * NS_PER_DAY}, "late_max", NS_PER_DAY),  # a day late, of ten
        ({"name_faults": [NameFault("/long", "too long", "refused")]}, "names_fit", None),
    ],
)
def test_what_nobody_expects_is_not_met_by_default(changes: dict[str, Any], name: str, measured: int | None) -> None:
    run = hand_built_run(**changes)
    taken = figures(run)
    (unmet,) = judge(run, taken)
    assert (unmet.name, unmet.met, unmet.measured, unmet.by_default) == (name, False, measured, True)
    assert surprises(run, (unmet,)) == [f"{name} is not met, which holds by default"]
    run.expect[name] = False if measured is None else measured
    assert [verdict.met for verdict in judge(run, taken)] == [True], "as the scenario says"
    run.expect.clear()
    run.kind = "test"  # which hears of it when it happens
    assert judge(run, taken) == ()


def test_work_is_late_beyond_one_percent_or_two_of_the_longest_writes() -> None:
    run = hand_built_run(asked_ns=10 * NS_PER_DAY - 102 * MS)
    assert judge(run, figures(run)) == ()
    run = hand_built_run(duration_ns=200 * MS, asked_ns=96 * MS)
    (late,) = judge(run, figures(run))
    assert late.limit == 103 * MS  # twice 51.5 ms
    run.asked_ns = 97 * MS
    assert judge(run, figures(run)) == ()
