"""The locator of keys in a TOML text: it finds the paths that tomllib finds, on the right lines."""

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simfs.replay.scenario.toml_lines import key_lines, line_of, spell

TEXT = """\
# a = 1
title = "a # no comment ] }"   # but this
lines = \"\"\"
[not.a.table]
x = 1 \\"\"\" still ""\"\"\"
raw = '''
y = "2"'''
[chip]
part = 'W25Q32JV'
"quoted key"."a.b" = [1, 2,
  { c = 3, d.e = "}" }, # comment, with comma
]
[ a . "b" ]
at = 2031-04-05 03:00:00
[[task]]
name = "one"
operations = [
  { do = "append", file = "/x" },
  { do = "read", size = \"\"\"4
KiB\"\"\", file = "/y" },
]
[task.until]
runs = 3
[[task]]
[[task.nested]]
z = [[1], [2, [3]], []]
[[task.nested]]
empty = {}
"""


def paths_of(value, path=()):
    """Every path in what tomllib gives, less the root."""
    children = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {path} - {()} | {found for key, child in children for found in paths_of(child, (*path, key))}


def test_every_path_is_found_and_none_else():
    assert set(key_lines(TEXT)) == paths_of(tomllib.loads(TEXT))


@pytest.mark.parametrize(
    ("path", "start"),
    [
        (("title",), "title"),
        (("raw",), "raw"),
        (("chip",), "[chip]"),
        (("chip", "quoted key", "a.b"), '"quoted key"'),
        (("chip", "quoted key", "a.b", 2, "d", "e"), "{ c = 3"),
        (("a", "b", "at"), "at ="),
        (("task", 0, "operations", 1, "file"), 'KiB""", file'),
        (("task", 0, "until", "runs"), "runs"),
        (("task", 1, "nested", 1, "empty"), "empty"),
    ],
)
def test_lines(path, start):
    line = key_lines(TEXT)[path]
    assert TEXT.splitlines()[line - 1].lstrip().startswith(start)


def test_a_missing_key_is_placed_at_what_is_around_it():
    lines = key_lines(TEXT)
    assert line_of(lines, ("chip", "size")) == lines[("chip",)]
    assert line_of(lines, ("run",)) == 1


def test_paths_are_spelled_as_people_write_them():
    assert spell(("task", 2, "operations", 0, "file")) == "task[2].operations[0].file"
    assert spell(()) == "the whole file"


KEYS = st.sampled_from(["a", "b-1", "c_d", "é x", 'q"', "1"])
SCALARS = st.sampled_from(["1", "-2.5e3", "true", '"s # ]"', "'l} '", "2031-04-05", '"""m\n[x]\n"""', "[1,\n 2]", "{}"])


@settings(max_examples=150, derandomize=True, database=None, deadline=None)
@given(st.lists(st.tuples(st.booleans(), st.lists(KEYS, min_size=1, max_size=2), KEYS, SCALARS), max_size=8))
def test_generated_texts(tables):
    import json

    text = ""
    for is_array, table, key, value in tables:
        header = ".".join(json.dumps(part, ensure_ascii=False) for part in table)
        text += f"[[{header}]]\n" if is_array else f"[{header}]\n"
        text += f"{json.dumps(key, ensure_ascii=False)} = {value} # {key}\n\n"
    try:
        expected = paths_of(tomllib.loads(text))
    except tomllib.TOMLDecodeError:
        return  # a table given twice
    assert set(key_lines(text)) == expected
