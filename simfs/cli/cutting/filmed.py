"""`simfs cuts --film`: the one cut that is named, to be looked at."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from simfs.cli.exits import Refused
from simfs.cli.options.watching import check_films, save_film
from simfs.cli.outputs import check_targets

if TYPE_CHECKING:
    from simfs.study.cuts.notes.history import History


def check_film(film: str | None, sheet: str | None, file: str, own: dict[str, Any]) -> None:
    """Refuse, before anything is run, a film that can't be made or written; `sheet` is written too."""
    if film is None:
        return
    if own["only"] is None:
        raise Refused("--film: it shows one cut; name it, as a report does, with --only, or leave --film out")
    check_targets({"--sheet": sheet, "--film": film}, file)
    check_films()


def save_film_of_cut(history: History, film: str, own: dict[str, Any]) -> None:
    """Play the run up to the cut and through the mounts after it, and save that."""
    from simfs.flash.interrupted import Profile
    from simfs.study.cuts.notes.cut_point import CutPoint
    from simfs.study.film.cut_film import film_of_cut

    cut = CutPoint.parse(own["only"])
    try:
        made = film_of_cut(history, cut, Profile(own["profile"]))
    except ValueError as error:
        raise Refused(f"--film: {error}") from None
    about = (
        f"The last calls before the power cut {cut}, what it leaves, and the mount after it. The time is that of the "
        "flash alone."
    )
    faults = save_film(made, film, f"A power cut: {history.title}" if history.title else "A power cut", about)
    if faults:
        raise Refused(*faults)
