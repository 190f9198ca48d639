"""Reading scenarios: every fault at once, each with its line, its path and what would be right; nothing without end."""

import json
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfs.replay.device.clock import NS_PER_YEAR, moment
from simfs.replay.scenario.crosschecks import region_blocks
from simfs.replay.scenario.input_faults import BadScenario
from simfs.replay.scenario.load import load_scenario, parse_scenario, scenario_schema
from simfs.store.format.config import StoreConfig

GOOD = """\
[chip]
part = "W25Q32JV"
[store]
start = "3 MiB"
size = "1 MiB"
[run]
start = 2031-04-05
duration = "30 d"
[values.level]
mean = 2.5
[[task]]
name = "gauge"
every = "6 min"
operations = [
  { do = "append", file = "/tide/{date}.csv", text = "{time},{level}\\n", keep = 3 },
]
[expect]
life_min = "10 years"
"""
ONE_SIZE, OF_FIVE = 'part = "W25Q32JV"', 'part = "generic-built-in-serial"'


def faults_of(text):
    """(line, path, what) of every fault, read from the printed lines as a user would."""
    raw = text if isinstance(text, bytes) else text.encode()
    with pytest.raises(BadScenario) as caught:
        parse_scenario(raw, "plan.toml")
    found = []
    for line in str(caught.value).splitlines():
        number, path, what = re.fullmatch(r"plan\.toml:(\d+): ([^:]+): (.+)", line).groups()
        assert "; " in what or "known here are" in what, f"no word of what would be right: {line}"
        found.append((int(number), path, what))
    return found


def changed(old, new):
    assert old in GOOD
    return GOOD.replace(old, new)


def test_a_good_scenario_is_read_into_integers():
    scenario = parse_scenario(GOOD.encode(), "plan.toml")
    assert scenario.store.start == 3 << 20
    assert scenario.run.start == moment(2031, 4, 5)
    assert scenario.task[0].every == 360 * 10**9
    assert scenario.store.config() == StoreConfig()
    assert scenario.expect.table() == {"life_min": 10 * NS_PER_YEAR}


def test_all_faults_are_named_at_once_in_the_order_of_the_lines():
    text = """\
title = 3
colour = "red"
[chip]
part = "W25Q32JX"
[store]
start = "1 KB"
cleaner = "lazy"
log_heads = 3
name_bytes = true
[run]
duration = 30
[values.level]
waves = [{ amplitude = 1.0, period = "12 m" }, 3]
[[task]]
name = "one"
every = "6 min"
daily = "03:00"
operations = [{ do = "append", file = "/x", size = "40 B" }]
[[task]]
name = "two"
every = "6 min"
operations = [
  { do = "appendix", file = "/x", size = "40 B" },
  { do = "append", file = "/x", size = "40 B", text = "a" },
  { do = "append", size = "40 B", until = 3 },
  { do = "update", file = "/x", size = ["40 B", "3 B"] },
  { file = "/x" },
  { do = "truncate", file = "/{dates}" },
]
[expect]
life_min = "10 y"
nothing = 2
"""
    found = faults_of(text)
    assert [(line, path) for line, path, _ in found] == [
        (1, "title"),
        (2, "colour"),
        (4, "chip.part"),
        (6, "store.start"),
        (7, "store.cleaner"),
        (8, "store.log_heads"),
        (9, "store.name_bytes"),
        (11, "run.duration"),
        (13, "values.level.waves[0].period"),
        (13, "values.level.waves[1]"),
        (14, "task[0]"),
        (23, "task[1].operations[0]"),
        (24, "task[1].operations[1]"),
        (25, "task[1].operations[2].file"),
        (25, "task[1].operations[2].until"),
        (26, "task[1].operations[3].size"),
        (27, "task[1].operations[4]"),
        (28, "task[1].operations[5].file"),
        (28, "task[1].operations[5].size"),
        (31, "expect.life_min"),
        (32, "expect.nothing"),
    ]


@pytest.mark.parametrize(
    ("old", "new", "line", "path", "right"),
    [
        ('part = "W25Q32JV"', 'part = "W25"', 2, "chip.part", "known are .*W25Q32JV"),
        ('part = "W25Q32JV"', "", 1, "chip", 'write part = "W25Q32JV" or size = "4 MiB"'),
        (ONE_SIZE, f'{ONE_SIZE}\nblock = "64 KiB"', 1, "chip", 'erase_max too, or part = "W25Q32JV/64K"'),
        (ONE_SIZE, f'{ONE_SIZE}\nblock = "16 KiB"', 1, "chip", "give erase_typ and erase_max too$"),
        (ONE_SIZE, f'{ONE_SIZE}\nerase_max = "40 ms"', 1, "chip", "erase_typ is 45 ms, and erase_max 40 ms; give both"),
        (ONE_SIZE, f'{ONE_SIZE}\nsize = "2 MiB"', 5, "store.start", "begin at 3 MiB.* chip's 2 MiB"),
        (ONE_SIZE, f'{OF_FIVE}\nsize = "3 MiB"', 1, "chip", "comes with 1 MiB, .*16 MiB; 3 MiB is none of these"),
        (ONE_SIZE, f'{OF_FIVE}\nsize = "2 MiB"', 5, "store.start", "begin at 3 MiB.* chip's 2 MiB"),
        ('part = "W25Q32JV"', 'size = "5 KiB"\nblock = "4 KiB"', 1, "chip", "multiple of block_bytes"),
        ('part = "W25Q32JV"', 'size = "4 GiB"', 2, "chip.size", "256 MiB"),
        ('start = "3 MiB"', 'start = "3000 B"', 4, "store.start", "write 4 KiB"),
        (
            'start = "3 MiB"',
            'start = "8 MiB"',
            4,
            "store.start",
            "begin at 8 MiB.* chip's 4 MiB, where nothing is free",
        ),
        ('size = "1 MiB"', 'size = "2 MiB"', 5, "store.size", "5 MiB, .*'s 4 MiB; 1 MiB is free from start = 3 MiB on"),
        ('start = "3 MiB"\nsize = "1 MiB"', 'size = "5 MiB"', 4, "store.size", "4 MiB; 4 MiB is free, write at most"),
        ('size = "1 MiB"', 'size = "8 KiB"', 5, "store.size", "2 erase blocks are too few.*write at least 20 KiB, or"),
        ('size = "1 MiB"', "name_bytes = 300", 5, "store.name_bytes", "from 2 to 256"),
        ('size = "1 MiB"', "reserve_blocks = 0", 5, "store.reserve_blocks", "from 2 to"),
        ("start = 2031-04-05", 'start = "2031-02-30"', 7, "run.start", "no date 2031-02-30; right would be"),
        ("start = 2031-04-05", "start = 2031-04-05T00:00:00Z", 7, "run.start", "time zone; leave it out"),
        ("start = 2031-04-05", 'start = "999999-12-31"', 8, "run.duration", "earlier start"),
        ('duration = "30 d"', "", 6, "run.duration", 'missing; write .*"30 d"'),
        ('duration = "30 d"', 'duration = "3000 years"', 8, "run.duration", "1000 years"),
        ('duration = "30 d"', 'duration = "0 s"', 8, "run.duration", "1 ns to 1000 years"),
        ("mean = 2.5", "mean = nan", 10, "values.level.mean", "nan is not a finite number; .*added to"),
        ("[values.level]", "[values.date]\n[values.level]", 9, "values.date", "another name"),
        ("{level}", "{depth}", 15, "task[0].operations[0].text", r"\[values.depth\]"),
        ("{level}", "{level", 15, "task[0].operations[0].text", "a brace itself as"),
        ('every = "6 min"', 'every = "1 ms"', 13, "task[0].every", "a longer every"),
        ('every = "6 min"', 'daily = "24:00"', 13, "task[0].daily", '"03:00"'),
        ('every = "6 min"', 'at_boot = true\nfirst = "1 s"', 11, "task[0]", "leave it out"),
        ('every = "6 min"', 'at_boot = true\njitter = "1 s"', 11, "task[0]", "jitter goes only with every"),
        ("{date}", "{level}", 15, "task[0].operations[0].file", "fields of names are date"),
        ("/tide/{date}.csv", "", 15, "task[0].operations[0].file", 'write for example "/settings.json"'),
        ("/tide/{date}.csv", "a\\u0000b", 15, "task[0].operations[0].file", "NUL"),
        ("keep = 3", 'keep = "3"', 15, "task[0].operations[0].keep", '"3" is not a whole number; .*keep the newest'),
        ("keep = 3", "keep = 0", 15, "task[0].operations[0].keep", "keep the newest n"),
        (
            "keep = 3",
            "repeat = 9999999",
            15,
            "task[0].operations[0].repeat",
            "9999999 is out of bounds; write at most 1,000,000",
        ),
        ("operations = [", 'operations = [{ do = "boot" },', 11, "task[0]", "make it the last operation"),
        ("[expect]", "[expect]\nlife_max = 3", 18, "expect.life_max", "known here are life_min"),
    ],
)
def test_each_fault_says_where_it_is_and_what_would_be_right(old, new, line, path, right):
    (found,) = faults_of(changed(old, new))
    assert found[:2] == (line, path)
    assert re.search(right, found[2])


@pytest.mark.parametrize(("size", "whole_mib"), [("", 16), ('size = "4 MiB"', 4), ('size = "16 MiB"', 16)])
def test_a_part_of_several_sizes_has_the_given_one_or_else_the_largest(size, whole_mib):
    text = changed(ONE_SIZE, f"{OF_FIVE}\n{size}").replace('size = "1 MiB"\n', "", 1)
    scenario = parse_scenario(text.encode(), "plan.toml")
    assert scenario.chip.datasheet().size_bytes == whole_mib << 20
    assert region_blocks(scenario.chip, scenario.store) == (whole_mib - 3) * 256


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ('every = "6 min"', 'evry = "6 min"', "did you mean every?"),
        ('do = "append"', 'do = "apend"', "did you mean append?"),
        ("[run]", "[rum]", "did you mean run?"),
        ('part = "W25Q32JV"', 'part = "w25q23jv"', "did you mean W25Q32JV?"),
        ("{level}", "{levle}", "did you mean level?"),
        ("{date}", "{dat}", "did you mean date?"),
        ("life_min", 'unmet = ["live_min"]\nlife_min', "did you mean life_min?"),
        ('size = "1 MiB"', 'cleaner = "gredy"', '"gredy" is not one of the choices; did you mean greedy?'),
        ("keep = 3", 'only_if = "abset"', '"abset" is not one of the choices; did you mean absent?'),
        ('"6 min"', '"6 minuts"', "did you mean minutes?"),
    ],
)
def test_a_word_that_is_mistyped_gets_the_one_that_was_meant(old, new, what):
    assert any(what in fault for _, _, fault in faults_of(changed(old, new)))


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("[run]", '[run]\nlife_min = "1 d"', "there is no such key here; life_min is a key of [expect]; known"),
        ("[chip]", "[chip]\nstart = 3", "there is no such key here; start is a key of [store], [[region]] or [run]; "),
        ("[[task]]", "[[task]]\nkeep = 3", "there is no such key here; keep is a key of an operation; known here are"),
        ("[expect]", "[store.expect]", "there is no such key here; write [expect], a table of its own; known here are"),
        ("[expect]", "[run.task]\n[expect]", "there is no such key here; write [[task]], a table of its own; known"),
    ],
)
def test_a_key_in_the_wrong_table_is_told_where_it_belongs(old, new, what):
    assert any(fault.startswith(what) for _, _, fault in faults_of(changed(old, new)))


@pytest.mark.parametrize(
    ("old", "new", "path", "what"),
    [
        ("mean = 2.5", "least = 5\nmost = 1", "values.level", "least = 5 is above most = 1; write the smaller"),
        (
            "mean = 2.5",
            "walk = { step = 1, least = 1, most = -1 }",
            "values.level.walk",
            "least = 1 is above most = -1",
        ),
        ("life_min", "file_count_min = 3\nfile_count_max = 2\nlife_min", "expect", "file_count_min = 3 is above"),
        (
            "life_min",
            'files_absent = ["/a"]\nfile_texts = { "/a" = "x" }\nlife_min',
            "expect",
            '"/a" is in files_absent, and expected to be there; leave one',
        ),
        ('every = "6 min"', 'every = "6 min"\ndaily = "03:00"', "task[0]", "it has every and daily; write one of"),
        ('every = "6 min"', "", "task[0]", "nothing says when it runs; write one of every"),
        ('"6 min"', '"-6 min"', "task[0].every", '"-6 min" is below zero; write for example'),
        ('"6 min"', f'"{"6" * 30} min"', "task[0].every", f'"{"6" * 30} min" has a number with too many digits; write'),
    ],
)
def test_what_contradicts_itself_is_told(old, new, path, what):
    assert next(fault[2] for fault in faults_of(changed(old, new)) if fault[1] == path).startswith(what)


def test_a_file_may_begin_with_the_mark_that_some_editors_write():
    assert parse_scenario(b"\xef\xbb\xbf" + GOOD.encode(), "plan.toml") == parse_scenario(GOOD.encode(), "plan.toml")


@pytest.mark.parametrize(
    ("raw", "what"),
    [
        (b"\xff\x00" * 99, "it is no text; give a scenario, or look into an image of a flash with"),
        (b"title\n\0", "it is no text; "),
        (GOOD.encode("utf-16"), "it is not UTF-8 text; save it as UTF-8"),
    ],
)
def test_a_file_of_bytes_is_no_scenario(raw, what):
    with pytest.raises(BadScenario) as caught:
        parse_scenario(raw, "plan.toml")
    assert caught.value.faults[0].what.startswith(what)


def test_a_word_that_is_like_none_gets_no_suggestion():
    (found,) = faults_of(changed("mean = 2.5", "xyzzy = 2.5"))
    assert found[2].startswith("there is no such key; known here are mean")
    assert "did you mean" not in faults_of(changed("mean = 2.5", f"{'mean' * 30} = 2.5"))[0][2]


OF_PYDANTIC = re.compile(
    "[Ii]nput|validation|should (be|have)|[Vv]alid (string|list|dict)|greater than|less than|items"
)


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        (
            "operations = [\n",
            "operations = []\nx = [\n",
            "it is empty; write at least 1 element. It means: what it does",
        ),
        ("[values.level]", "[values]\nlevel.waves = 3\n[other]", "3 is not a list, [ ... ]; write one. It means:"),
        ('every = "6 min"', "daily = []", "it is empty; write at least 1 element. It means: the times of day"),
        ('name = "gauge"', 'name = ""', "it is empty; write at least 1 character. It means: a name"),
        ('name = "gauge"', f'name = "{"n" * 41}"', "it has 41 characters; write at most 40 characters."),
        ("mean = 2.5", "mean = -inf", "-inf is not a finite number; write one that is at least -1,000,000,000."),
        ("mean = 2.5", "walk.step = 0", "0 is out of bounds; write more than 0."),
        (
            "mean = 2.5",
            'mean = ["a", true]',
            '["a", true] is not a number; write one, such as 2.5. It means: the value',
        ),
        ("mean = 2.5", "mean = { a = 1 }", "{ a = 1 } is not a number; write one, such as 2.5. It means: the"),
        ('text = "{time},{level}\\n"', 'size = ["1 B"]', "it has 1 element; write at least 2 elements."),
        ("life_min", "file_texts = { a = 3 }\nlife_min", "3 is not text in quotes; write it in quotes"),
        ("life_min", "files_present = 3\nlife_min", "3 is not a list, [ ... ]; write one. It means: files"),
        ("[[task]]", "[task]", "it is one table, where a list of tables belongs; write [[task]], with two brackets"),
        ('"append"', '"update", at = "nxt"', '"nxt" is not one of the choices; did you mean next? known are "next", '),
    ],
)
def test_a_fault_is_told_in_plain_words(old, new, what):
    found = [fault for _, _, fault in faults_of(changed(old, new))]
    assert [fault for fault in found if fault.startswith(what)], found
    assert not [fault for fault in found if OF_PYDANTIC.search(fault)]


def test_a_key_that_takes_several_kinds_of_value_has_one_fault():
    assert len(faults_of(changed('"append"', '"update", at = true').replace(", keep = 3", ""))) == 1


def test_a_fault_in_one_table_does_not_hide_those_between_others():
    text = changed('duration = "30 d"', "duration = 30").replace("{level}", "{depth}").replace("3 MiB", "3000 B")
    assert [path for _, path, _ in faults_of(text)] == ["store.start", "run.duration", "task[0].operations[0].text"]


def test_tasks_need_names_of_their_own():
    task = GOOD[GOOD.index("[[task]]") : GOOD.index("[expect]")]
    (found,) = faults_of(GOOD + task)
    assert found[:2] == (GOOD.count("\n") + 2, "task[1].name")


@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        ("[chip]\npart = W25\n", 2, "this is not TOML"),
        ("[chip]\npart = 'x\n", 2, "this is not TOML"),
        ("a = 1\na = 2\n", 2, "this is not TOML"),
        ("[chip", 1, "this is not TOML"),
        ("[run]\nstart = 2031-13-45\n", 2, "write a date that there is, such as 2031-04-05"),
        ("a = " + "[" * 5000, 1, "nested too deeply"),
        (b"[chip]\n# \xff\n", 2, "not UTF-8"),
        ("# x\n" * 300_000, 1, "larger than"),
        ("", 1, "missing"),
    ],
)
def test_what_is_no_scenario_at_all(text, line, what):
    found = faults_of(text)
    assert found[0][0] == line
    assert what in found[0][2]


PIECES = [
    '"',
    "[",
    "}",
    "=",
    "\n",
    "1",
    "-0.0",
    "inf",
    "true",
    "{}",
    "[[task]]\n",
    '"6 min"',
    "size",
    "\\",
    "'" * 3,
    "\x00",
]


@settings(max_examples=100, derandomize=True, database=None, deadline=None)
@given(st.integers(0, len(GOOD)), st.integers(0, 12), st.sampled_from(PIECES), st.integers(0, len(GOOD)))
def test_whatever_is_wrong_with_a_text_is_told_in_lines(at, gone, piece, other):
    text = GOOD[:at] + piece + GOOD[at + gone :]
    text = text[:other] + piece + text[other:]
    try:
        parse_scenario(text.encode(), "plan.toml")
    except BadScenario as error:
        lines = str(error).splitlines()
        assert lines
        assert all(re.match(r"plan\.toml:[0-9]+: [^:]+: .+", line) for line in lines), lines


@pytest.mark.parametrize("tag", ["[]", "{}", "1", "true", "[[]]", '"grow"'])
def test_an_operation_of_any_type_is_described(tag):
    assert [path for _, path, _ in faults_of(changed('"append"', tag))] == ["task[0].operations[0]"]


def test_a_name_whose_age_takes_for_ever_to_read_is_refused():
    """Matching it would take the name's length to the power of the fields that digits follow."""
    (fault,) = faults_of(changed("/tide/{date}.csv", "{counter}" * 20))
    assert fault[:2] == (15, "task[0].operations[0]")
    assert "2 fields of no fixed length" in fault[2]
    parse_scenario(changed("/tide/{date}.csv", "/{year}{month}{day}-{counter}{boot}").encode(), "plan.toml")
    parse_scenario(changed("/tide/{date}.csv", "{counter}" * 20).replace(", keep = 3", "").encode(), "plan.toml")


def test_a_scenario_with_windows_line_ends_is_the_same():
    assert parse_scenario(GOOD.replace("\n", "\r\n").encode(), "x") == parse_scenario(GOOD.encode(), "x")


def test_a_file_that_is_not_there_is_an_os_error(tmp_path):
    with pytest.raises(FileNotFoundError):
        load_scenario(tmp_path / "none.toml")


def test_the_schema_names_every_table_and_its_bounds():
    schema = json.loads(scenario_schema())
    assert set(schema["properties"]) == {
        "title", "battery", "chip", "card", "both", "card_out", "store", "region", "releases", "run", "values", "task",
        "expect",
    }  # fmt: skip
    assert schema["additionalProperties"] is False
    operations = schema["$defs"]["Task"]["properties"]["operations"]["items"]["discriminator"]["mapping"]
    assert sorted(operations) == sorted(
        ["append", "write", "create", "update", "read", "remove", "rename", "truncate", "list", "boot"]
    )
    settings = set(schema["$defs"]["StoreTable"]["properties"]) - {"kind", "start", "size", "buffer"}
    assert settings | {"buffer_bytes"} == set(StoreConfig.__dataclass_fields__)
    assert schema["$defs"]["StoreTable"]["properties"]["cleaner"]["enum"][1] == "greedy"


def test_nothing_of_a_scenario_is_run(tmp_path):
    target = tmp_path / "made"
    text = changed("{time},{level}", "{time.__class__}{level!r}__import__('os').mkdir('" + str(target) + "')")
    faults_of(text)
    assert not Path(target).exists()
