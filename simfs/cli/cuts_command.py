"""`simfs cuts`."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Iterable
from itertools import islice
from typing import TYPE_CHECKING, Any

import click

from simfs.cli.cutting.filmed import check_film, save_film_of_cut
from simfs.cli.cutting.on_both import OnBoth, report_on_both
from simfs.cli.cutting.on_card import OnCard, report_on_card
from simfs.cli.cutting.recorded import recorded
from simfs.cli.cutting.reports import page_of, text_of
from simfs.cli.exits import UNMET, Refused, print_report
from simfs.cli.inputs import check_source, recording_options
from simfs.cli.options.workers import check_worker_options, shared_out, worker_options
from simfs.cli.progress import progress_bar, shown
from simfs.cli.sheets.tables_sheet import SHEET_HELP, check_page, print_and_save

if TYPE_CHECKING:
    from simfs.cli.cutting.reports import AnyReport
    from simfs.study.cuts.judging.verdicts import Violation
    from simfs.study.cuts.lives_report import LivesReport
    from simfs.study.cuts.notes.cut_point import CutPoint
    from simfs.study.cuts.notes.history import History
    from simfs.study.cuts.report import CutReport, Places, ShortCase

EVERY = ("operation", "byte", "bit")
PROFILES = ("program-contained", "page-contained", "sector-collateral")
OWN = ("every", "sample", "lives", "seed", "only", "depth", "profile", "workers", "cluster")
DEPTH_MAX = 3
LIVES_MAX = 1_000_000
PLACES_MAX = 2_000_000  # of cuts in one campaign: hours of work, and some hundred MiB to list them
SHRINK_TRIES_MIN, SHRINK_TRIES_MAX, SHRINK_CALLS_MAX = 20, 600, 200_000


@click.command(epilog="Example: simfs cuts logger.toml --sample 1000")
@click.argument("file", required=False)
@click.option("--every", type=click.Choice(EVERY), help="Cut at every flash operation (default), byte or bit.")
@click.option("--sample", type=click.IntRange(1, PLACES_MAX), metavar="N", help="Cut at N places, drawn at random.")
@click.option(
    "--lives", type=click.IntRange(1, LIVES_MAX), metavar="N", help="Let N stores live through 100 cuts each."
)
@click.option("--seed", type=click.IntRange(0), metavar="S", help="Of the sample or of the first life; 0 by default.")
@click.option("--only", metavar="TOKEN", help="Make one cut alone, as a report names it: 57:bytes=12.")
@click.option(
    "--depth",
    type=click.IntRange(1, DEPTH_MAX),
    default=1,
    metavar="N",
    help="2 cuts each recovery too; 3 cuts one of those again.",
)
@click.option("--profile", type=click.Choice(PROFILES), default=PROFILES[0], help="What an interrupted program spoils.")
@worker_options
@click.option("--sheet", metavar="PAGE", help=SHEET_HELP)
@click.option("--film", metavar="HTML", help="Save a film of the cut that --only names, for a browser.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every figure.")
@click.option("--case", metavar="LINE", help="Instead of FILE: a short run, as a report prints it.")
@recording_options
def cuts(
    file: str | None, case: str | None, sheet: str | None, film: str | None, as_json: bool, **options: Any
) -> None:
    """Cut the power in FILE again and again, and report what that leaves.

    FILE is a scenario (.toml), a Python script (.py), or a recording, as for
    `simfs run`. It is replayed once. Then the power is cut at each place, the
    store is mounted, checked and worked on, and the report says what the
    firmware would find. With --lives the run goes on after each cut, over and
    over, on the same store. On a card, 500 sector writes are cut unless
    --sample or --every operation says otherwise; on flash and card, 60 of all
    writes, in which the card is taken out too.

    The exit status is 0, or 1 when the store breaks a promise, or 2 on bad
    input.
    """
    own = {name: options.pop(name) for name in OWN}
    _check(file, case, sheet, own, options)
    check_page(sheet, file or "")
    check_film(film, sheet, file or "", own)
    history = _history(file, case, options)
    if film is not None and isinstance(history, OnCard | OnBoth):
        raise Refused("--film: only cuts of a store on flash can be filmed; leave it out")
    if isinstance(history, OnCard):
        report: AnyReport = report_on_card(history, file or "", _kind(file or ""), own)
    elif isinstance(history, OnBoth):
        report = report_on_both(history, file or "", _kind(file or ""), own)
    else:
        build = _report if own["lives"] is None else _report_on_lives
        report = build(history, file or "", case or "", own, options)
    print_and_save(sheet, lambda: page_of(report), lambda: print_report(text_of(report, as_json)))
    if film is not None and not isinstance(history, OnCard | OnBoth):
        save_film_of_cut(history, film, own)
    if report.broken:
        sys.exit(UNMET)


def _check(file: str | None, case: str | None, sheet: str | None, own: dict[str, Any], options: dict[str, Any]) -> None:
    """Refuse options that contradict each other before anything runs."""
    check_worker_options(own["workers"], own["cluster"])
    ways = [name for name in ("only", "sample", "lives", "every") if own[name] is not None]
    if len(ways) > 1:
        raise Refused(f"--{ways[1]}: --{ways[0]} says already where to cut; leave out one of them")
    if own["seed"] is not None and own["sample"] is None and own["lives"] is None:
        raise Refused("--seed: it is for --sample and --lives; add one of them, or leave it out")
    if own["lives"] is not None and own["depth"] > 1:
        raise Refused("--depth: --lives cuts recoveries anyway; leave it out")
    if own["only"] is not None and own["depth"] > 1:
        raise Refused("--depth: --only names every cut itself, as in 57:nothing/0:nothing; leave it out")
    if own["only"] is not None:
        from simfs.study.cuts.notes.cut_point import CutPoint

        try:
            CutPoint.parse(own["only"])
        except ValueError as error:
            raise Refused(_bad_cut(own["only"], error)) from None
    if case is None and file is None:
        raise Refused("simfs: there is nothing to cut; give a scenario, a script, a recording or --case")
    if file is not None:
        if case is not None:
            raise Refused(f"--case: {file} is given as well; leave out one of them")
        check_source(file)
        return
    given = [name for name, value in options.items() if value]
    if given:
        raise Refused(*(f"--{name}: it is for recordings, and --case is none; leave it out" for name in given))


def _history(file: str | None, case: str | None, options: dict[str, Any]) -> History | OnCard | OnBoth:
    """The run, replayed once."""
    if file is None:
        return _run_of_case(case or "")
    history = recorded(file, options)
    if not isinstance(history, OnCard | OnBoth) and not history.operations:
        raise Refused(f"{file}: it programs and erases nothing, so there is nothing to cut; write files in it")
    return history


def _run_of_case(case: str) -> History:
    from simfs.study.cuts.case_text import Case

    try:
        return Case.parse(case).record()
    except ValueError as error:
        raise Refused(f"--case: {error}") from None


def _report(history: History, file: str, case: str, own: dict[str, Any], options: dict[str, Any]) -> CutReport:
    from simfs.study.cuts.campaign import campaign
    from simfs.study.cuts.report import VIOLATIONS_MAX, cut_report

    places = _places(own)
    again = _Repeat(file, case, own["profile"], options)
    with shared_out(f"cutting the power in {_named(file)}", own["workers"], own["cluster"]) as (executor, progress):
        try:
            result = campaign(
                history, _cuts(history, places), profile=own["profile"], depth=places.depth, executor=executor,
                progress=progress, violations_max=VIOLATIONS_MAX,
            )  # fmt: skip
        except ValueError as error:  # a cut that this run does not have
            raise Refused(_bad_cut(places.only, error)) from None
    return cut_report(
        history, result, source=file, kind=_kind(file), places=places, profile=own["profile"],
        repeat=again.line, shorten=lambda violation: _shortened(history, violation, own["profile"]),
    )  # fmt: skip


def _report_on_lives(
    history: History, file: str, case: str, own: dict[str, Any], options: dict[str, Any]
) -> LivesReport:
    from simfs.flash.interrupted import Profile
    from simfs.study.cuts.judging.judge import Rules
    from simfs.study.cuts.lives.campaign import lives_of
    from simfs.study.cuts.lives_report import lives_report

    profile, seed = Profile(own["profile"]), own["seed"] or 0
    if not Rules(history.datasheet, history.config, profile).keeps_all:
        raise Refused(
            f"--lives: in the profile {profile} this store may lose what was acknowledged, so there is nothing to "
            "judge it by; leave --profile out"
        )
    again = _Repeat(file, case, own["profile"], options)
    with shared_out(f"living with power cuts in {_named(file)}", own["workers"], own["cluster"]) as (
        executor,
        progress,
    ):
        lived = lives_of(history, own["lives"], seed=seed, profile=profile, executor=executor, progress=progress)
    return lives_report(
        history, lived, source=file, kind=_kind(file), seed=seed, profile=own["profile"], repeat=again.life
    )


def _named(file: str) -> str:
    return shown(file) if file else "the case"


def _places(own: dict[str, Any]) -> Places:
    from simfs.study.cuts.report import Places

    every = own["every"] or (EVERY[0] if own["only"] is None and own["sample"] is None else None)
    seed = own["seed"] or 0 if own["sample"] is not None else None
    return Places(every, own["sample"], seed, own["only"], own["depth"])


def _cuts(history: History, places: Places) -> Iterable[CutPoint]:
    from simfs.study.cuts.judging import states as cut_states
    from simfs.study.cuts.notes.cut_point import CutPoint

    if places.only is not None:
        return [CutPoint.parse(places.only)]
    if places.sample is not None:
        return cut_states.sampled(history, places.sample, places.seed or 0)
    every = {"operation": cut_states.every_operation, "byte": cut_states.every_byte, "bit": cut_states.every_bit}
    cuts = list(islice(every[places.every or EVERY[0]](history), PLACES_MAX + 1))
    if len(cuts) > PLACES_MAX:
        raise Refused(
            f"--every {places.every}: this run has more than {PLACES_MAX:,} places to cut; draw some of them, as with "
            "--sample 100000, or shorten the run"
        )
    return cuts


def _bad_cut(only: str | None, error: ValueError) -> str:
    return f"--only {only}: {str(error).removeprefix(f'{only}: ')}"


class _Repeat:
    """Writes the command that repeats one case alone."""

    def __init__(self, file: str, case: str, profile: str, options: dict[str, Any]) -> None:
        what = ["--case", case] if case else [file]
        given = [[f"--{name}"] if value is True else [f"--{name}", value] for name, value in options.items() if value]
        self._words = ["simfs", "cuts", *what, *(word for words in given for word in words), *_unusual(profile)]

    def line(self, cut: CutPoint) -> str:
        return shlex.join([*self._words, "--only", str(cut)])

    def life(self, seed: int) -> str:
        return shlex.join([*self._words, "--lives", "1", "--seed", str(seed)])


def _unusual(profile: str) -> list[str]:
    return ["--profile", profile] if profile != PROFILES[0] else []


def _shortened(history: History, violation: Violation, profile: str) -> ShortCase | None:
    """The shortest case that still shows the violation. A long run gets fewer tries: each makes the calls anew."""
    from simfs.study.cuts.report import ShortCase
    from simfs.study.cuts.shrink import shrink

    tries_max = min(SHRINK_TRIES_MAX, SHRINK_TRIES_MIN + SHRINK_CALLS_MAX // len(history.calls))
    with progress_bar("looking for a shorter case"):
        found = shrink(history, violation, profile=profile, tries_max=tries_max)
    if found is None:
        return None
    case, cut = found
    return ShortCase(case.calls, _Repeat("", str(case), profile, {}).line(cut))


def _kind(file: str) -> str:
    return {"": "short run", ".toml": "scenario"}.get(file[-5:], "script" if file.endswith(".py") else "recording")
