"""The lessons that are notebooks too, run from their first cell to their last as Jupyter does it."""

from __future__ import annotations

import shutil
import warnings
from pathlib import Path

import pytest

from simfs.show.lessons.lessons import lessons_directory

nbformat = pytest.importorskip("nbformat", reason="needs nbclient and ipykernel: pip install 'simfs[dev]'")
nbclient = pytest.importorskip("nbclient", reason="needs nbclient and ipykernel: pip install 'simfs[dev]'")

SAID = {
    "01_an_erase_before_every_rewrite": ["b'000040 cups'", "set-bit", "(13, 201)"],
    "06_wear_levelling": ["'hottest block without': 48", "'hottest block with it': 22"],
    "08_power_cut": [
        "in_place Counter({b'code=4711\\n': 5, b'code=0815\\n': 2, b'': 1})",
        "anew Counter({b'code=0815\\n': 5",
    ],
}


def printed(path: Path, directory: Path) -> str:
    """What all cells of a notebook show, as text."""
    book = nbformat.read(path, 4)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # those of its own machinery
        nbclient.NotebookClient(book, kernel_name="python3", resources={"metadata": {"path": str(directory)}}).execute()
    shown = [output for cell in book.cells for output in cell.get("outputs", [])]
    return "\n".join(str(output.get("text") or output["data"]["text/plain"]) for output in shown)


@pytest.mark.parametrize("name", SAID)
def test_a_notebook_runs_and_gives_its_figures(name: str, tmp_path: Path) -> None:
    for scenario in lessons_directory().glob("*.toml"):
        shutil.copy(scenario, tmp_path)
    shown = printed(lessons_directory() / f"{name}.ipynb", tmp_path)
    assert [text for text in SAID[name] if text not in shown] == []


def test_no_notebook_is_left_over_and_none_keeps_an_output() -> None:
    books = {path.stem: nbformat.read(path, 4) for path in lessons_directory().glob("*.ipynb")}
    assert books.keys() == SAID.keys()
    assert [name for name, book in books.items() for cell in book.cells if cell.get("outputs")] == []
