"""The one-screen report of hand-built runs."""

import re
from collections import Counter
from dataclasses import replace
from typing import Any

import pytest

from simfs.replay.device.clock import NS_PER_DAY, NS_PER_YEAR
from simfs.replay.device.notes import NameFault, Refusal, Skipped, Stall, StallLog, TaskTally
from simfs.show import WHOSE
from simfs.show.text import COLUMNS, as_text
from simfs.study.run.expect import judge
from simfs.study.run.measure import figures
from tests.support.hand_built import MS, hand_built_run, stall_log


def report(**changes: Any) -> str:
    run = hand_built_run(**changes)
    taken = figures(run)
    return as_text(taken, judge(run, taken))


def line(text: str, figure: str) -> str:
    """The table row of a figure with its continuation lines, white space made single."""
    found = re.search(rf"^(?:\w+ +| +)(?:! )?{re.escape(figure)} .*(?:\n {{30,}}\S.*)*", text, re.MULTILINE)
    assert found, f"no {figure!r} in\n{text}"
    return " ".join(found[0].split())


def test_fits_one_screen_in_plain_characters() -> None:
    text = report(expect={"life_min": NS_PER_YEAR, "refused_max": 0})
    lines = text.splitlines()
    assert len(lines) <= 60
    assert max(map(len, lines)) <= COLUMNS
    assert text.isascii()
    assert WHOSE in text


def test_figures_have_their_units_and_say_what_they_count() -> None:
    text = report()
    assert "\n\nscenario harbour.toml: 10 days of device time from 2031-04-05 on, 1,000 operations\n" in text
    assert "16 blocks of 4 KiB, 64 KiB" in text
    assert "2.00 programmed for each byte; at least 1.00" in line(text, "write amplification")
    assert "metadata 1.00" in line(text, "metadata")
    assert "4 in the run; the bytes alone would fill 1 page" in line(text, "page programs")
    assert "51.5 ms rewrite /settings.json by task settings, 24 h into the run: 3 programs, 1 erase" in line(
        text, "longest write"
    )
    assert "1 cleaning moving 700 bytes" in line(text, "longest write")
    assert "500 us or less, of 1,000" in line(text, "99.9 % of writes")
    assert "409 ms" in line(text, "bound, worst part")
    assert "2 were due" in line(text, "reads held up")
    assert "7 ms 30 flash reads, 3,000 bytes" in line(text, "mount at boot")
    # 10,032,570 nJ in ten days; 1.003 mJ / 3.3 V / 3600 s = 0.0844 uAh.
    assert "1.00 mJ" in line(text, "energy a day")
    assert "0.0844 uAh at 3.3 V" in line(text, "energy a day")
    assert re.search(r"^settings +1 +0 +100 bytes +50 bytes +3 +3 +9\.3 %", text, re.MULTILINE)  # 51.5 of 551 ms


def test_a_sound_run_has_no_mark() -> None:
    assert "!" not in report()


def test_what_is_wrong_is_marked_and_says_what_to_do() -> None:
    text = report(
        refusals=[Refusal("gauge", "append", "/{date}.csv", "ENOSPC", 3, 5 * MS)],
        name_faults=[NameFault("/long", "52 bytes with its end, 48 fit", "refused with ENAMETOOLONG")],
        skipped=[Skipped(17, "a store through a memory map", 2)],
        live_bytes_max=10**9,
    )
    assert "3 ENOSPC for append /{date}.csv by task gauge" in line(text, "refused")
    assert "keep fewer or shorter files" in line(text, "refused")
    assert "/long: 52 bytes with its end" in line(text, "name breaks")
    assert "2 a store through a memory map, first in line 17" in line(text, "not replayed")
    assert "give the store more blocks" in line(text, "most in use")
    assert re.search(r"^! NOT MET +refused_max +3 +at most 0, by default$", text, re.MULTILINE)
    assert re.search(r"^! NOT MET +names_fit .* yes, by default$", text, re.MULTILINE)
    assert text.count("! ") == 6


def test_a_name_kept_apart_is_told_and_breaks_nothing() -> None:
    text = report(name_faults=[NameFault("/über", "it differs", "two files", breaks=False)])
    assert "/über: it differs; two files" in line(text, "name kept apart")
    assert line(text, "names that break").split()[3] == "0"
    assert "!" not in text


@pytest.mark.parametrize(
    ("changes", "marked"),
    [({}, True), ({"first_worn_fills": 9}, False), ({"unused_blocks": 1}, False), ({"even_ns": 2000}, False)],
)
def test_uneven_wear_is_marked_when_it_is_sure(changes: dict[str, int], marked: bool) -> None:
    taken = figures(hand_built_run())
    known = {"hottest_ns": 1000, "even_ns": 2001, "first_worn_fills": 10, "unused_blocks": 0, **changes}
    text = as_text(replace(taken, life=replace(taken.life, **known)), ())
    assert ("Wear is uneven" in " ".join(text.split())) == marked


def test_erases_before_the_run_are_told_beside_the_hottest_block() -> None:
    taken = figures(hand_built_run())
    assert taken.wear is not None
    hottest, most = taken.wear.hottest_block, taken.wear.max_erases
    for in_run, said in ((most, ""), (most - 1, " (1 erase before the run)")):
        wear = replace(taken.wear, erases_in_run=(in_run,) * len(taken.wear.erase_counts))
        text = " ".join(as_text(replace(taken, wear=wear), ()).split())
        assert f"hottest {hottest}{said} " in text


def test_the_busiest_task_stands_first() -> None:
    tasks = {name: TaskTally(name, busy_ns=busy_ns) for name, busy_ns in (("idler", 1), ("worker", 2))}
    text = report(tasks=tasks)
    assert text.index("worker") < text.index("idler")


def test_many_troubles_stay_short() -> None:
    refusals = [Refusal("t", "append", f"/{n}", "ENOENT", n + 1, 0) for n in range(100)]
    faults = [NameFault(f"/{n}", "too long", "refused") for n in range(100)]
    tasks = {f"t{n}": TaskTally(f"t{n}", host_bytes=1) for n in range(50)}
    text = report(refusals=refusals, name_faults=faults, tasks=tasks)
    assert len(text.splitlines()) <= 75
    assert "97 more" in text
    assert "44 more tasks" in text
    # The three largest of 1..100 are shown, the rest is 1 + ... + 97 = 4753.
    assert "4,753 more" in text


def test_expectations_show_measured_and_wanted() -> None:
    text = report(expect={"write_stall_max": 80 * MS, "refused_max": 0, "life_min": 2000 * NS_PER_YEAR, "sound": True})
    rows = [" ".join(row.split()) for row in text.splitlines()]
    assert "met write_stall_max 51.5 ms at most 80 ms" in rows
    assert "met refused_max 0 at most 0" in rows
    assert "! NOT MET life_min 1,369 years at least 2,000 years" in rows
    assert "met sound as expected yes" in rows


def test_a_run_too_short_to_tell_says_so() -> None:
    run = hand_built_run()
    text = report(store=run.store, first=run.store.medium.mark(), erase_counts_first=list(run.flash.erase_counts))
    assert "cannot say no erase in this run of 10 days" in line(text, "life")


def test_hostile_names_are_escaped() -> None:
    stall = Stall(0, "t\x1b[31m", "append", "/a\nb\x1b]0;", 1, 1, 1, 0, 0, 0)
    text = report(writes=stall_log(stall), title="\x1b[2J")
    assert "\x1b" not in text
    assert "/a\\nb\\x1b]0;" in text


def test_a_day_of_energy_from_less_than_a_day_says_so() -> None:
    assert "at the pace of 2 h: programs" in line(report(duration_ns=NS_PER_DAY // 12), "energy a day")
    assert "pace" not in line(report(duration_ns=NS_PER_DAY), "energy a day")


def test_large_numbers_and_long_titles_fit() -> None:
    run = hand_built_run()
    tasks = {"t": TaskTally("t", Counter(append=12_345_678), 0, 10**9, 10**9, 10**8, 10**9, 10**7, 10**15)}
    taken = figures(hand_built_run(title="long " * 40, source="/a" * 100, tasks=tasks))
    work = replace(taken.flash_work, programs=123_456_789, erases=12_345_678)
    text = as_text(replace(taken, flash_work=work), judge(run, taken))
    assert max(map(len, text.splitlines())) <= COLUMNS
    assert "123,456,789" in text


def test_nothing_written() -> None:
    text = report(writes=StallLog(), tasks={}, duration_ns=0)
    assert "nothing was written" in line(text, "longest write")
    assert "no device time passed" in line(text, "life")
