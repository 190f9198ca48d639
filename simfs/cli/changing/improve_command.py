"""`simfs improve`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from simfs.cli.exits import Refused, print_report
from simfs.cli.inputs import check_source
from simfs.cli.options.workers import check_worker_options, shared_out, worker_options
from simfs.cli.outputs import check_target
from simfs.cli.progress import shown

if TYPE_CHECKING:
    from simfs.study.advice.improve import Advice

AIM_WORDS = ("room", "life", "longest-write", "energy")  # as in simfs.study.advice, which only this command loads


@click.command(epilog="Example: simfs improve logger.toml")
@click.argument("scenario")
@click.option(
    "--for", "aim", type=click.Choice(AIM_WORDS),
    help="What is to get better; without it, what ends the device first.",
)  # fmt: skip
@click.option("--apply", "number", type=click.IntRange(1), metavar="N", help="Write the scenario with change N.")
@click.option("--into", metavar="FILE", help="With --apply: the file to write, which may be SCENARIO itself.")
@worker_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object with every figure.")
def improve(
    scenario: str,
    aim: str | None,
    number: int | None,
    into: str | None,
    workers: int | None,
    cluster: str | None,
    as_json: bool,
) -> None:
    """Run changes of SCENARIO that may help, and print what each brings.

    It tries what a practitioner would: gathering readings, binary records,
    another cleaner, two log heads and so on, and then the best ones together.
    Each is run; those that decide what a power cut leaves are also cut. The
    best comes first, with its price and the lines to change.

    The exit status is 0, or 2 on bad input.
    """
    check_source(scenario)
    if not scenario.endswith(".toml"):
        raise Refused(f"{scenario}: only a scenario has settings to change; give a .toml file")
    check_worker_options(workers, cluster)
    if (number is None) != (into is None):
        raise Refused("--apply: it goes with --into, the file to write; give both")
    if into is not None:
        check_target(into, "--into", "")
    advice = _advice(scenario, aim or "", workers, cluster)
    if number is not None and into is not None:
        print_report(_apply(advice, scenario, number, into))
    else:
        print_report(_text(advice, as_json))


def _advice(scenario: str, aim: str, workers: int | None, cluster: str | None) -> Advice:
    from simfs.replay.scenario.input_faults import BadScenario
    from simfs.study.advice.improve import CannotImprove
    from simfs.study.advice.improve import improve as found

    try:
        with shared_out(f"changing {shown(scenario)}", workers, cluster) as (executor, progress):
            return found(scenario, aim=aim, executor=executor, progress=progress)
    except BadScenario as error:
        raise Refused(*error.faults) from None
    except CannotImprove as error:
        raise Refused(f"{scenario}: {error}") from None
    except OSError as error:
        raise Refused(f"{scenario}: {error.strerror or error}") from None


def _apply(advice: Advice, scenario: str, number: int, into: str) -> str:
    from simfs.show.advice.toml_change import changed_text
    from simfs.show.save import write_whole
    from simfs.show.units import plain

    if number > len(advice.better):
        there = f"1 to {len(advice.better)}" if advice.better else "none"
        raise Refused(f"--apply {number}: there is no such change; there are {there}")
    chosen = advice.better[number - 1].idea
    try:
        with open(scenario, encoding="utf-8-sig") as file:
            text = changed_text(file.read(), chosen.changes)
        write_whole(into, text.encode())
    except ImportError:
        raise Refused("--apply: it needs tomlkit, which is not installed: pip install 'simfs[improve]'") from None
    except ValueError as error:
        raise Refused(f"{scenario}: {error}; nothing was written") from None
    except OSError as error:
        raise Refused(f"--into {into}: {error.strerror}; nothing was written") from None
    return f"{into} is written, with: {plain(chosen.name, 400)}."


def _text(advice: Advice, as_json: bool) -> str:
    if as_json:
        from simfs.show.json import object_of

        return object_of(advice)
    from simfs.show.advice.text import as_text

    return as_text(advice)
