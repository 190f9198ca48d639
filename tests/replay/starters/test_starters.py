"""First scenarios: each kind replays as written, on any part, and any answer is written right or told wrong."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfs.flash.parts import PARTS
from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.play import play
from simfs.replay.scenario.load import parse_scenario
from simfs.replay.scenario.quantities import parse_duration
from simfs.replay.starters.answers import (
    CYCLES,
    PART,
    Flash,
    chip_bytes_of,
    content_of,
    cycles_of,
    duration_of,
    kind_of,
    part_of,
    store_bytes_of,
    usual_store_bytes,
)
from simfs.replay.starters.kinds import KINDS, READINGS, Kind
from simfs.replay.starters.text import Answers, check_room, scenario_text, usual_keep_ns
from simfs.study.run.expect import judge
from simfs.study.run.measure import figures

SEEDED = settings(derandomize=True, database=None, deadline=None, max_examples=50)
SOME = Flash(PART, None, CYCLES)


def usual(kind: Kind, flash: Flash = SOME, every: str = "", content: str = "", keep: str = "") -> Answers:
    """What somebody gets who answers no more than this."""
    store_bytes = usual_store_bytes(kind, flash)
    every_ns, what = duration_of(every or kind.every), content_of(content or kind.content, kind)
    usual_ns = usual_keep_ns(kind, flash, store_bytes, every_ns, what)
    return Answers(kind, flash, store_bytes, every_ns, what, parse_duration(keep) if keep else usual_ns)


def unmet(answers: Answers) -> list[str]:
    """What a replay does not meet of what the scenario expects, and all that it warns of."""
    scenario = parse_scenario(scenario_text(answers, "first.toml").encode(), "first.toml")
    run = play(scenario, "first.toml")
    return [str(verdict) for verdict in judge(run, figures(run)) if not verdict.met]


@pytest.mark.parametrize("name", KINDS)
def test_each_kind_meets_what_it_expects_as_written(name: str) -> None:
    assert unmet(usual(KINDS[name])) == []


@pytest.mark.parametrize("name", ["logger", "events"])
def test_so_it_does_on_a_chip_that_is_in_no_catalogue(name: str) -> None:
    assert unmet(usual(KINDS[name], Flash(None, 1 << 20, 20_000))) == []


@pytest.mark.slow
@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("name", KINDS)
def test_each_kind_meets_what_it_expects_on_each_part(name: str, part: str) -> None:
    assert unmet(usual(KINDS[name], Flash(part, None, CYCLES))) == []


@pytest.mark.parametrize("name", KINDS)
def test_every_key_is_where_the_answers_say(name: str) -> None:
    kind = KINDS[name]
    text = scenario_text(usual(kind, Flash(None, 2 << 20, 12_345), every="7 min", keep="3 d"), "own.toml")
    scenario = parse_scenario(text.encode(), "own.toml")
    assert (scenario.chip.size, scenario.chip.rated_cycles) == (2 << 20, 12_345)
    assert scenario.store.start + (scenario.store.size or 0) == 2 << 20
    assert 7 * 60 * 10**9 in [task.every for task in scenario.task]
    assert "simfs run own.toml" in text
    assert "$" not in text


@pytest.mark.parametrize(
    ("every", "keep", "name", "files"),
    [
        ("10 min", "60 d", "/log/{date}.csv", 60),
        ("1 min", "30 h", "/log/{date}-{hour}.csv", 30),
        ("1 s", "5 min", "/log/{date}-{hour}{minute}.csv", 5),
        ("1 week", "60 d", "/log/{date}.csv", 9),  # a file for each line
        ("10 min", "1 s", "/log/{date}-{hour}{minute}.csv", 1),
    ],
)
def test_a_logger_keeps_as_many_files_as_it_needs(every: str, keep: str, name: str, files: int) -> None:
    text = scenario_text(usual(KINDS["logger"], every=every, keep=keep), "x.toml")
    (operation,) = parse_scenario(text.encode(), "x.toml").task[0].operations
    assert (operation.do, operation.do == "append" and (operation.file.text, operation.keep)) == (
        "append",
        (name, files),
    )


def test_a_run_writes_the_store_full_once_but_takes_no_more_than_seconds() -> None:
    def run_ns(every: str) -> int:
        text = scenario_text(usual(KINDS["settings"], every=every), "x.toml")
        return parse_scenario(text.encode(), "x.toml").run.duration

    records = (64 << 10) // 150  # about 50 bytes and 100 that the store adds
    assert records * NS_PER_DAY < run_ns("1 d") < 1.2 * records * NS_PER_DAY
    assert run_ns("1 s") == 30_000 * 10**9


TEXTS = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30)


@SEEDED
@given(TEXTS, st.sampled_from(["logger", "settings", "events", "queue"]))
def test_any_text_is_written_as_it_was_given_or_told_wrong_in_one_line(text: str, name: str) -> None:
    kind, error = KINDS[name], ""
    text = text.replace("\\", "/")  # nothing that stands for another character
    try:
        answers = usual(kind, content=text)
    except ValueError as wrong:
        error = str(wrong)
    if error:
        assert ";" in error
        return
    scenario = parse_scenario(scenario_text(answers, "x.toml").encode(), "x.toml")
    written = [operation.text for task in scenario.task for operation in task.operations if hasattr(operation, "text")]
    assert {pattern.text.rstrip("\n") for pattern in written if pattern} == {text.rstrip("\n")}


def test_a_new_line_may_be_written_out_and_a_line_has_one() -> None:
    assert content_of(r"a\n\t\\n", KINDS["queue"]).text == "a\n\t\\n"
    assert content_of("a", KINDS["logger"]).text == content_of("a\\n", KINDS["logger"]).text == "a\n"


def test_each_reading_of_a_text_gets_a_table_and_no_other_does() -> None:
    text = scenario_text(usual(KINDS["logger"], content="{time} {battery} {depth} {battery}"), "x.toml")
    assert re.findall(r"^\[values\.(\w+)\]", text, re.MULTILINE) == ["battery", "depth"]
    used = {word for kind in KINDS.values() for word in re.findall(r"\{(\w+)\}", kind.content)} - {"date", "time"}
    assert used == READINGS.keys()


def test_what_can_not_fit_is_told() -> None:
    with pytest.raises(ValueError, match="keep less, or take a larger store"):
        check_room(usual(KINDS["logger"], every="1 s", keep="1 d"))
    check_room(usual(KINDS["logger"], every="1 s"))  # what is usual is less then


@pytest.mark.parametrize(
    ("parse", "text", "right"),
    [
        (kind_of, "rng", "did you mean ring"),
        (part_of, "W25Q23JV", "did you mean W25Q32JV"),
        (chip_bytes_of, "5000 B", "whole erase blocks of 4 KiB"),
        (chip_bytes_of, "1 GiB", "to 256 MiB"),
        (cycles_of, "10k", "write for example 100000"),
        (cycles_of, "0", "write for example 100000"),
        (duration_of, "0 s", "more than 0"),
        (duration_of, "2000 years", "at most 1000 years"),
        (lambda text: store_bytes_of(text, SOME), "5000 B", "write for example 8 KiB"),
        (lambda text: store_bytes_of(text, SOME), "8 MiB", "at most 4 MiB"),
        (lambda text: content_of(text, KINDS["ring"]), "{level}", "is not a size"),
        (lambda text: content_of(text, KINDS["ring"]), "2 MiB", "1 B to 1 MiB"),
        (lambda text: content_of(text, KINDS["logger"]), "40 KB", "write KiB or B"),
        (lambda text: content_of(text, KINDS["queue"]), "", "it is empty; write a text"),
        (lambda text: content_of(text, KINDS["queue"]), "\udc80", "not UTF-8"),
        (lambda text: content_of(text, KINDS["queue"]), "{a", "a brace at character 1"),
    ],
)
def test_a_wrong_answer_is_told_with_what_would_be_right(parse, text, right):  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=right) as caught:
        parse(text)
    assert ";" in str(caught.value)
