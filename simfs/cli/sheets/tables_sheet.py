"""The option --sheet of commands that write a page of tables."""

from __future__ import annotations

from collections.abc import Callable
from importlib.util import find_spec

from simfs.cli.exits import Refused
from simfs.cli.outputs import check_target

LIBRARIES = ("jinja2", "plotly")
SHEET_HELP = "Save it in this file, as a page for a browser."


def check_libraries() -> None:
    """Refuse a sheet for which a library is missing."""
    missing = [name for name in LIBRARIES if find_spec(name) is None]
    if missing:
        raise Refused(f"--sheet: it needs {missing[0]}, which is not installed: pip install 'simfs[sheet]'")


def check_page(path: str | None, source: str) -> None:
    """Refuse, before anything is done, a page that can't be made or written."""
    if path is not None:
        check_target(path, "--sheet", source)
        check_libraries()


def save_page(path: str, page: str) -> str:
    """Write a page. Returns what went wrong, or nothing."""
    from simfs.show.save import write_whole

    try:
        write_whole(path, page.encode("utf-8", "backslashreplace"))
    except OSError as error:
        return f"--sheet {path}: {error.strerror}; no sheet was written"
    return ""


def print_and_save(path: str | None, make: Callable[[], str], show: Callable[[], None]) -> None:
    """Save the page where one is asked for, and show the report in any case."""
    fault = save_page(path, make()) if path is not None else ""
    show()
    if fault:
        raise Refused(fault)
