"""The options with which a run is watched operation by operation: as a film, or told in sentences."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from simfs.cli.exits import Refused, print_report

if TYPE_CHECKING:
    from simfs.files.contract import AnyStore
    from simfs.replay.device.device import Run
    from simfs.replay.device.observer import Observer
    from simfs.study.film.film import Film
    from simfs.study.film.recording import Filming
    from simfs.study.film.steps import Step, StepRecorder

Command = TypeVar("Command", bound=Callable[..., Any])
NEEDS_JINJA = "it needs jinja2, which is not installed: pip install 'simfs[sheet]'"

_FILM = click.option("--film", metavar="HTML", help="Save a film of the flash in this file, for a browser.")
_NARRATE = click.option("--narrate", is_flag=True, help="Tell in a sentence what each operation did to the flash.")


def watch_options(command: Command) -> Command:
    """Add to a command the options with which a run is watched."""
    return _FILM(_NARRATE(command))


class Watching:
    """What follows a run. Ask for `observers` before it, and `end` after it."""

    def __init__(self, film: str | None, narrate: bool, as_json: bool) -> None:
        if narrate and as_json:
            raise Refused("--narrate: with --json nothing else is printed; leave out one of them")
        self._path = film
        self._filming: Filming | None = None
        self._telling: StepRecorder | None = None
        if film is not None:
            check_films()
            from simfs.study.film.recording import Filming

            self._filming = Filming()
        if narrate:
            from simfs.study.film.steps import StepRecorder

            self._telling = StepRecorder(_tell)

    @property
    def observers(self) -> list[Observer]:
        return [one for one in (self._filming, self._telling) if one is not None]

    def end(self, done: Run, file: str) -> list[str]:
        """Draw what was told of, and save the film. Returns what went wrong."""
        if self._telling is not None:
            _draw(done.store)
        if self._filming is None or self._path is None:
            return []
        return save_film(self._filming.film, self._path, done.title, f"What {file} did to its flash, step by step.")


def check_films() -> None:
    """Refuse, before anything is run, what only a missing library would stop at its end."""
    from importlib.util import find_spec

    if find_spec("jinja2") is None:
        raise Refused(f"--film: {NEEDS_JINJA}")


def save_film(film: Film, path: str, title: str, about: str) -> list[str]:
    """Write the page. Returns what went wrong."""
    from simfs.show.film.page import film_page
    from simfs.show.save import write_whole

    try:
        write_whole(path, film_page(film, title, about).encode())
    except OSError as error:
        return [f"--film {path}: {error.strerror}; nothing was written"]
    return []


def _tell(step: Step, store: AnyStore) -> None:
    from simfs.files.store import the_log
    from simfs.show import units
    from simfs.show.film.sentences import sentence

    geometry = the_log(store).flash.geometry
    print_report(f"{units.moment(step.at_ns)}  {sentence(step, geometry.block_bytes, geometry.page_bytes)}")


def _draw(store: AnyStore) -> None:
    from simfs.show.film.picture import picture
    from simfs.study.film.steps import view_of

    print_report(f"\n{picture(view_of(store))}\n")
