"""A film as one file for a browser, with all that it needs in it."""

from __future__ import annotations

import base64
import json
import zlib
from importlib.resources import files

from jinja2 import Environment

from simfs.show import WHOSE, units
from simfs.show.film.picture import WORDS
from simfs.show.film.sentences import sentence
from simfs.store.tables.blocks import State
from simfs.study.film.film import MARKS, PAGES, Film

FILES_LISTED_MAX = 500


def film_page(film: Film, title: str, about: str) -> str:
    """The page. `about` says what ran. Its data are packed; a browser unpacks them by itself."""
    packed = base64.b64encode(zlib.compress(json.dumps(_data(film), separators=(",", ":")).encode(), 9)).decode()
    template = files("simfs.show.film").joinpath("film.html").read_text(encoding="utf-8")
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    return environment.from_string(template).render(
        title=title, about=about, whose=WHOSE, packed=packed, pages=[str(page) for page in PAGES], marks=list(MARKS),
        count=len(film.steps), left_out=film.left_out,
        some=[sentence(step, film.block_bytes, film.page_bytes) for step in film.steps[:20]],
    )  # fmt: skip


def _data(film: Film) -> dict[str, object]:
    """The film in columns, each step's changes as one flat list of numbers."""
    names = list(dict.fromkeys(step.name for step in film.steps if step.name))[:FILES_LISTED_MAX]
    number = {name: at for at, name in enumerate(names)}
    return {
        "pagesOfBlock": film.pages_of_block,
        "pages": film.pages_first,
        "states": film.states_first,
        "erases": film.erases_first,
        "stateWords": [WORDS[state] or "closed" for state in State],
        "names": names,
        "said": "\n".join(sentence(step, film.block_bytes, film.page_bytes) for step in film.steps),
        "when": [units.moment(step.at_ns) for step in film.steps],
        "tasks": [step.task for step in film.steps],
        "ofName": [number.get(step.name, -1) for step in film.steps],
        "marks": film.marks,
        "pageChanges": [[part for change in changes for part in change] for changes in film.page_changes],
        "stateChanges": [[part for change in changes for part in change] for changes in film.state_changes],
        "erased": film.erases,
    }
