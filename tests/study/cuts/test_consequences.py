"""What a firmware finds after a power cut, told from recorded runs of small stores. Here no campaign runs: each call
that makes something durable is said to be cut once for every outcome that the durability rule allows, which is the most
that a campaign can find."""

import json
from collections.abc import Callable

import pytest

from simfs import NorFlash, Store, StoreConfig
from simfs.study.cuts.firmware.causes import Cause
from simfs.study.cuts.firmware.consequences import Consequences, FileFindings, consequences
from simfs.study.cuts.judging.verdicts import Found
from simfs.study.cuts.notes.history import History
from simfs.study.cuts.notes.recorder import record

Work = Callable[[Store], object]


def recorded(work: Work, before: Work = lambda store: None, buffer_bytes: int = 64) -> History:
    flash = NorFlash(block_count=8, block_bytes=1024, page_bytes=128)
    store = Store.format(flash, StoreConfig(buffer_bytes=buffer_bytes))
    before(store)
    return record(store, work)


def all_found(history: History) -> list[Found]:
    found = []
    for number, operation in {operation.call: at for at, operation in enumerate(history.operations)}.items():
        first, last = history.events_in(number)
        if first < last:
            found += [Found(operation, event, 1) for event in range(first, last + 1)]
    return found


def told(work: Work, before: Work = lambda store: None, buffer_bytes: int = 64) -> Consequences:
    history = recorded(work, before, buffer_bytes)
    return consequences(history, all_found(history))


def save(name: str, data: bytes, mode: str = "w") -> Work:
    def work(store: Store) -> None:
        with store.open(name, mode) as file:
            file.write(data)

    return work


def of(told: Consequences, name: str) -> FileFindings:
    return next(file for file in told.files if file.name == name)


def cause(told: Consequences, kind: str) -> Cause:
    found = [one for one in told.causes if one.kind == kind]
    assert len(found) == 1, told.causes
    return found[0]


OLD, NEW = b"volume=3\nnight=1\n", b"volume=4\nnight=0\nsound=2\n"


def test_settings_saved_in_place_are_found_empty() -> None:
    found = told(save("/set", NEW), before=save("/set", OLD))
    # What open and close make durable lands or does not.
    assert of(found, "/set").states == {"whole": 1, "old": 1, "empty": 2}
    assert of(found, "/set").lost.worst == 2  # both lines of the old file, the smaller loss
    why = cause(found, "emptied")
    assert why.what == '/set is emptied by open with "w" and stays empty until its close'
    assert (why.states, why.changes, why.of_changes) == (2, 1, 1)
    assert (why.call, why.during) == (1, "open")  # call 0 is the mount
    assert "rename" in why.remedy


def test_the_report_shows_the_mode_as_the_firmware_means_it() -> None:
    found = told(save("/set", NEW, "wb+"), before=save("/set", OLD))
    assert 'by open with "w" and' in cause(found, "emptied").what


def test_settings_longer_than_the_buffer_are_found_empty_then_short() -> None:
    found = told(save("/set", b"0123456789abcde\n" * 10), before=save("/set", OLD))
    states = of(found, "/set").states
    assert states["short"] > 0
    assert states["empty"] > 0
    assert "stays empty, then short until its close" in cause(found, "emptied").what


def test_a_truncation_through_a_handle_is_no_better() -> None:
    def work(store: Store) -> None:
        with store.open("/set", "r+") as file:
            file.truncate(0)
            file.write(NEW)

    found = told(work, before=save("/set", OLD))
    assert of(found, "/set").states["empty"] == 2
    assert cause(found, "emptied").what.startswith("/set is emptied by a truncation and stays empty")


def test_settings_saved_anew_and_renamed_are_never_found_empty() -> None:
    def work(store: Store) -> None:
        save("/new", NEW)(store)
        store.rename("/new", "/set")

    found = told(work, before=save("/set", OLD))
    # Creation, bytes and rename, each landed or not: the old file until the last one has.
    assert of(found, "/set").states == {"whole": 1, "old": 5}
    assert of(found, "/set").lost.worst == 0
    assert of(found, "/new").states == {"whole": 2, "left over": 4}
    assert [one.kind for one in found.causes] == ["left over"]


def test_renaming_before_the_close_gives_away_the_old_file() -> None:
    def work(store: Store) -> None:
        with store.open("/new", "w") as file:
            file.write(NEW)
            store.rename("/new", "/set")

    found = told(work, before=save("/set", OLD))
    assert of(found, "/set").states == {"whole": 1, "old": 3, "empty": 2}
    why = cause(found, "renamed early")
    assert why.what.startswith("another file is renamed to /set while bytes of it still wait")
    assert why.lost_worst == 2


def test_renaming_early_where_nothing_was_loses_what_was_handed_over() -> None:
    def work(store: Store) -> None:
        with store.open("/new", "w") as file:
            file.write(NEW)
            store.rename("/new", "/set")

    assert cause(told(work), "renamed early").lost_worst == 3


def test_what_never_was_whole_under_its_first_name_is_short() -> None:
    def work(store: Store) -> None:
        with store.open("/log", "a") as file:
            file.write(b"1\n" * 50)
            store.rename("/log", "/log.old")

    states = of(told(work), "/log").states
    assert states["short"] > 0
    assert "mixed" not in states


def test_a_flush_before_the_rename_is_as_good_as_a_close() -> None:
    def work(store: Store) -> None:
        with store.open("/new", "w") as file:
            file.write(NEW)
            file.flush()
            store.rename("/new", "/set")

    assert {one.kind for one in told(work, before=save("/set", OLD)).causes} == {"left over"}


def test_removing_first_leaves_none() -> None:
    def work(store: Store) -> None:
        save("/new", NEW)(store)
        store.remove("/set")
        store.rename("/new", "/set")

    found = told(work, before=save("/set", OLD))
    assert of(found, "/set").states["missing"] == 2
    assert cause(found, "missing").lost_worst == 0  # all of the new file is there, under its other name


def test_a_file_removed_on_purpose_is_not_missing() -> None:
    def work(store: Store) -> None:
        store.remove("/old.csv")
        save("/other", NEW)(store)
        save("/old.csv", NEW)(store)

    found = told(work, before=save("/old.csv", OLD))
    assert "missing" not in of(found, "/old.csv").states


def test_readings_wait_in_the_buffer() -> None:
    def work(store: Store) -> None:
        with store.open("/log", "a") as file:
            for _ in range(5):
                file.write(b"12:00,3.1\n")

    found = told(work, before=save("/log", b"11:00,3.0\n"), buffer_bytes=256)
    assert of(found, "/log").lost.worst == 5
    assert of(found, "/log").unit == "line"
    why = cause(found, "waiting")
    assert (
        why.what
        == "readings handed to /log one after the other wait in its buffer, all or the last of them, until its close"
    )


def test_a_reading_alone_in_flight_blames_nobody() -> None:
    found = told(save("/log", b"12:00,3.1\n", "a"), before=save("/log", b"11:00,3.0\n"))
    assert of(found, "/log").states == {"whole": 1, "old": 1}
    assert of(found, "/log").lost.worst == 1
    assert found.causes == ()


def test_records_are_counted_by_their_writes() -> None:
    def work(store: Store) -> None:
        with store.open("/log", "a") as file:
            for number in range(6):
                file.write(bytes([number]) * 20)

    found = told(work, before=save("/log", b"\0" * 20))
    # 64 bytes spill while the fourth is written: three whole records and a piece of the fourth.
    assert of(found, "/log").unit == "record"
    assert of(found, "/log").lost.worst == 4
    assert of(found, "/log").states["short"] > 0


def test_a_write_longer_than_the_buffer_is_torn() -> None:
    found = told(save("/log", b"x" * 99 + b"\n", "a"), before=save("/log", OLD))
    assert of(found, "/log").states == {"whole": 1, "old": 1, "short": 2}
    assert of(found, "/log").lost.worst == 1
    assert cause(found, "written in pieces").changes == 1


def test_an_update_in_place_mixes_old_and_new() -> None:
    def work(store: Store) -> None:
        with store.open("/table", "r+") as file:
            file.write(b"n" * 100)

    found = told(work, before=save("/table", b"o" * 200))
    assert of(found, "/table").states["mixed"] == 2
    assert cause(found, "updated in pieces").lost_worst == 1


def test_a_new_file_is_empty_at_first() -> None:
    found = told(save("/log", b"1\n", "a"))
    assert of(found, "/log").states == {"whole": 1, "old": 1, "empty": 2}
    assert cause(found, "created").what == "/log is created by open and stays empty until its close"


def test_what_a_log_holds_is_lost_when_it_is_emptied() -> None:
    found = told(save("/log", b"1\n2\n3\n4\n"), before=save("/log", b"1\n2\n3\n"))
    assert of(found, "/log").lost.worst == 3


def test_records_that_make_room_for_a_longer_one() -> None:
    def before(store: Store) -> None:
        with store.open("/log", "w") as file:
            for _ in range(3):
                file.write(b"\0" * 20)

    assert of(told(save("/log", b"\1" * 50), before), "/log").lost.worst == 1  # the smaller loss: the new record


def test_bytes_that_happen_to_end_a_line_are_a_record() -> None:
    assert of(told(save("/log", b"\0\n\n\n\n\n", "a")), "/log").unit == "record"


def test_a_slot_that_is_not_updated_yet_is_a_reading_lost() -> None:
    def work(store: Store) -> None:
        with store.open("/ring", "r+") as file:
            file.seek(20)
            file.write(b"n" * 20)

    found = told(work, before=save("/ring", b"o" * 60))
    assert of(found, "/ring").states == {"whole": 1, "old": 1}
    assert of(found, "/ring").lost.worst == 1


def test_an_update_behind_an_append_is_still_an_update() -> None:
    def work(store: Store) -> None:
        with store.open("/table", "r+") as file:
            file.seek(200)
            file.write(b"n" * 10)
            file.seek(0)
            file.write(b"n" * 100)

    assert cause(told(work, before=save("/table", b"o" * 200)), "updated in pieces").changes == 1


def test_who_only_reads_makes_nothing_durable() -> None:
    def work(store: Store) -> None:
        log = store.open("/log", "a")
        log.write(b"1\n2\n")
        store.open("/log", "r").close()
        save("/other", NEW)(store)
        log.close()

    found = told(work, before=save("/log", b"0\n"))
    # Of the other file two calls are cut, of the log one: only its last state has the readings.
    assert of(found, "/log").states == {"whole": 1, "old": 5}
    assert of(found, "/log").lost.median == 2


def test_a_truncation_by_name_is_whole_by_itself() -> None:
    def work(store: Store) -> None:
        store.truncate("/log", 2)
        save("/log", b"3\n", "a")(store)

    found = told(work, before=save("/log", b"0\n1\n2\n"))
    assert of(found, "/log").states == {"whole": 2, "old": 2}
    assert found.causes == ()


@pytest.mark.parametrize("replace", [True, False])
def test_writes_to_a_file_without_a_name_concern_no_file(replace: bool) -> None:
    def work(store: Store) -> None:
        file = store.open("/set", "a")
        if replace:
            store.rename("/new", "/set")
        else:
            store.remove("/set")
        file.write(b"1\n" * 100)
        file.close()

    found = told(work, before=lambda store: (save("/set", OLD)(store), save("/new", NEW)(store)))
    assert of(found, "/set").lost.worst == 0
    assert of(found, "/set").states == {"whole": 1, "old": 1}
    assert of(found, "/set").changes == 1


def test_changes_are_counted_and_the_worst_is_reported() -> None:
    def work(store: Store) -> None:
        for lines in (5, 2):
            with store.open("/log", "a") as file:
                for _ in range(lines):
                    file.write(b"1\n")

    why = cause(told(work, before=save("/log", b"0\n")), "waiting")
    assert (why.changes, why.of_changes, why.lost_worst) == (2, 2, 5)


def test_names_that_differ_in_digits_are_reported_together() -> None:
    def work(store: Store) -> None:
        for day in range(3):
            save(f"/2031-01-{day:02}.csv", b"1\n", "a")(store)
        save("/one-7.csv", b"1\n", "a")(store)

    found = told(work)
    assert [(file.name, file.files) for file in found.files] == [("/#-#-#.csv", 3), ("/one-7.csv", 1)]
    assert of(found, "/#-#-#.csv").changes == 3


def test_a_log_put_away_under_another_name_is_no_side_file() -> None:
    def work(store: Store) -> None:
        with store.open("/log", "a") as file:
            for _ in range(3):
                file.write(b"1\n")
                file.flush()
        store.rename("/log", "/log.old")

    assert "left over" not in of(told(work), "/log").states


@pytest.mark.parametrize(("mode", "name"), [("w", "/log.1"), ("a", "/older")])
def test_a_log_of_one_writing_is_no_side_file_either(mode: str, name: str) -> None:
    def work(store: Store) -> None:
        save("/log", NEW, mode)(store)
        store.rename("/log", name)

    assert "left over" not in of(told(work), "/log").states


def test_a_name_that_comes_back_later_was_not_missed() -> None:
    def work(store: Store) -> None:
        store.remove("/set")
        save("/other", NEW)(store)
        save("/new", NEW)(store)
        store.rename("/new", "/set")

    assert "missing" not in of(told(work, before=save("/set", OLD)), "/set").states


def test_a_side_file_is_saved_in_one_go() -> None:
    def work(store: Store) -> None:
        save("/draft", NEW)(store)
        save("/other", NEW)(store)
        store.rename("/draft", "/set")

    assert "left over" not in of(told(work), "/draft").states


def test_losses_over_all_states() -> None:
    def work(store: Store) -> None:
        for _ in range(10):
            save("/log", b"1\n", "a")(store)
        save("/set", b"1\n2\n3\n")(store)

    history = recorded(work, before=lambda store: (save("/log", b"0\n")(store), save("/set", b"1\n2\n3\n")(store)))
    found = consequences(history, all_found(history))
    # 10 states lose 1, of an append in flight; 2 lose the 3 of the settings; 12 lose nothing.
    assert found.states == 24
    assert (found.lost.worst, found.lost.median, found.lost.percentile_95) == (3, 0, 3)
    assert of(found, "/log").lost.percentile_95 == 1
    # States weigh as often as the campaign saw them.
    heavy = [Found(one.operation, one.event, 1 + 1000 * (at == 0)) for at, one in enumerate(all_found(history))]
    assert consequences(history, heavy).lost.median == 1


def test_a_store_that_says_it_is_damaged_is_counted_apart() -> None:
    history = recorded(save("/set", NEW))
    found = consequences(history, [*all_found(history), Found(0, -1, 7)])
    assert (found.damaged, found.states) == (7, len(all_found(history)))


def test_a_boot_in_the_run_ends_what_was_under_way() -> None:
    def work(store: Store) -> None:
        file = store.open("/log", "a")
        file.write(b"1\n")
        again = store.boot()
        save("/log", b"2\n", "a")(again)

    found = told(work, before=save("/log", b"0\n"))
    assert of(found, "/log").states == {"whole": 1, "old": 1}
    assert found.causes == ()  # what waited then was lost by the boot, not by a cut


def test_what_was_refused_changed_nothing() -> None:
    def work(store: Store) -> None:
        with pytest.raises(FileNotFoundError):
            store.rename("/none", "/set")
        with pytest.raises(FileExistsError):
            store.open("/set", "x")
        save("/log", b"2\n", "a")(store)

    found = told(work, before=lambda store: (save("/set", OLD)(store), save("/log", b"1\n")(store)))
    assert [file.name for file in found.files] == ["/log"]


def test_a_refused_call_says_nothing_of_what_comes_later() -> None:
    def work(store: Store) -> None:
        with pytest.raises(FileNotFoundError):
            store.rename("/none", "/new")
        save("/new", NEW)(store)
        store.rename("/new", "/set")

    assert of(told(work), "/new").states["left over"] == 4


def test_folded_names_are_one_file() -> None:
    store = Store.format(NorFlash(block_count=8, block_bytes=1024, page_bytes=128), StoreConfig(fold_case=True))
    save("/Set", OLD)(store)
    history = record(store, save("/SET", NEW))
    found = consequences(history, all_found(history))
    assert [(file.name, file.states["empty"]) for file in found.files] == [("/Set", 2)]


def test_it_is_data() -> None:
    from simfs.show.json import object_of

    found = json.loads(object_of(told(save("/set", NEW), before=save("/set", OLD))))
    assert found["files"][0]["states"] == {"whole": 1, "old": 1, "empty": 2}
