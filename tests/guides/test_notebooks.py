"""The lessons that are notebooks too, run from their first cell to their last: what a cell ends with is shown."""

from __future__ import annotations

import ast
import io
import json
import shutil
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from simfs.show.lessons.lessons import lessons_directory

SAID = {
    "01_an_erase_before_every_rewrite": ["b'000040 cups'", "set-bit", "(13, 201)"],
    "06_wear_levelling": ["'hottest block without': 48", "'hottest block with it': 22"],
    "08_power_cut": [
        "in_place Counter({b'code=4711\\n': 5, b'code=0815\\n': 2, b'': 1})",
        "anew Counter({b'code=0815\\n': 5",
    ],
}
BOOKS = {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in lessons_directory().glob("*.ipynb")}


def cells(book: dict[str, Any]) -> list[str]:
    """The code of a notebook, cell by cell."""
    return ["".join(cell["source"]) for cell in book["cells"] if cell["cell_type"] == "code"]


def printed(book: dict[str, Any]) -> str:
    """What all cells print, and what the last expression of each gives, as text."""
    names: dict[str, Any] = {"__name__": "__main__"}
    shown = io.StringIO()
    with redirect_stdout(shown):
        for code in cells(book):
            module = ast.parse(code)
            last = module.body.pop() if isinstance(module.body[-1], ast.Expr) else None
            exec(compile(module, "cell", "exec"), names)
            if isinstance(last, ast.Expr):
                print(repr(eval(compile(ast.Expression(last.value), "cell", "eval"), names)))
    return shown.getvalue()


@pytest.mark.parametrize("name", SAID)
def test_a_notebook_runs_and_gives_its_figures(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for scenario in lessons_directory().glob("*.toml"):
        shutil.copy(scenario, tmp_path)
    monkeypatch.chdir(tmp_path)
    shown = printed(BOOKS[name])
    assert [text for text in SAID[name] if text not in shown] == []


def test_no_notebook_is_left_over_and_none_keeps_an_output() -> None:
    assert BOOKS.keys() == SAID.keys()
    assert {book["nbformat"] for book in BOOKS.values()} == {4}
    assert [name for name, book in BOOKS.items() for cell in book["cells"] if cell.get("outputs")] == []
