"""Sheets of small runs for the tests, each made once."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from click.testing import CliRunner, Result

from simfs.cli import commands
from tests.replay.scenario.test_both import SOUND

MARKUP = "<script>alert(1)</script><b onmouseover=alert(1)>&amp;\\u202e\\\"'`{{7*7}}"
HOSTILE = f"""\
title = "{MARKUP}"
[chip]
size = "128 KiB"
[store]
name_bytes = 120
[run]
duration = "9 h"
start = 2031-04-05
[[task]]
name = "<b>x</b><img src=x onerror=alert(3)>"
every = "5 min"
operations = [{{ do = "write", file = "/{MARKUP}", size = "2 KiB" }}]
[[task]]
name = "filler"
every = "10 min"
operations = [{{ do = "append", file = "/</script><script>alert(2)</script>;x", size = "4 KiB" }}]
[expect]
write_stall_max = "60 ms"
refused_max = 0
"""
EMPTY = """\
[chip]
size = "64 KiB"
[run]
duration = "1 d"
[[task]]
name = "idle"
every = "1 h"
operations = [{ do = "read", file = "/none", only_if = "present" }]
"""
MANY = """\
title = "Ten thousand files"
[chip]
size = "2 MiB"
[run]
duration = "10000 s"
[[task]]
name = "many"
every = "1 s"
operations = [{ do = "create", file = "/{counter:6}.csv", size = "9 B" }]
"""
TEXTS = {"hostile": HOSTILE, "empty": EMPTY, "many": MANY}


def made(directory: Path, name: str, *words: str) -> tuple[Path, Result]:
    """The sheet of one of TEXTS, and how `simfs run` ended."""
    scenario, page = directory / f"{name}.toml", directory / f"{name}.html"
    scenario.write_text(TEXTS[name])
    return page, CliRunner().invoke(commands, ["run", str(scenario), "--sheet", str(page), *words])


@cache
def hostile_page() -> Path:
    """A sheet with all that there is, whose names are markup, and in which something is refused."""
    page, result = made(Path(mkdtemp()), "hostile", "--scale-cycles", "300000", "--shape", "3")
    assert result.exit_code == 1, result.output
    return page


@cache
def sweep_page() -> Path:
    """The sheet of a sweep, in which one variant can't be run."""
    directory = Path(mkdtemp())
    scenario, page = directory / "hostile.toml", directory / "sweep.html"
    scenario.write_text(HOSTILE)
    vary = ("--vary", "store.buffer=64B,256B", "--vary", "store.size=64KiB,64MiB", "--workers", "1")
    result = CliRunner().invoke(commands, ["sweep", str(scenario), *vary, "--sheet", str(page)])
    assert result.exit_code == 0, result.output
    return page


SMALL = HOSTILE.replace("[store]", "rated_cycles = 20\n[store]").replace("9 h", "1 h")
ON_CARD = SMALL[: SMALL.index("[[task]]")].replace("[chip]", "[card]").replace("rated_cycles = 20\n", "")
ON_CARD = ON_CARD.replace("128 KiB", "1 MiB").replace("name_bytes = 120", 'kind = "card"')
ON_CARD += """[[task]]
name = "<b>x</b><img src=x onerror=alert(3)>"
every = "10 min"
operations = [{ do = "append", file = "/log/day.csv", text = "{time}\\n" }]
"""
SMALL_PAGES = {  # of the commands whose pages have tables above all: the command, its options, what is run
    "life": (("life",), SMALL),
    "compare": (("compare", "--with", "store.packing=page", "--cuts", "3"), SMALL),
    "cuts": (("cuts", "--sample", "20"), SMALL),
    "lives": (("cuts", "--lives", "1"), SMALL),
    "cuts on a card": (("cuts", "--sample", "8"), ON_CARD),
    "cuts on both": (("cuts", "--sample", "3"), SOUND),
    "fleet": (("fleet", "--scale-cycles", "300", "--shape", "2", "--devices", "20"), SMALL),
}


@cache
def small_page(name: str) -> tuple[Result, Path]:
    """What such a command prints, and its page."""
    directory, ((command, *words), text) = Path(mkdtemp()), SMALL_PAGES[name]
    scenario, page = directory / "hostile.toml", directory / "page.html"
    scenario.write_text(text)
    return CliRunner().invoke(commands, [command, str(scenario), *words, "--sheet", str(page)]), page
