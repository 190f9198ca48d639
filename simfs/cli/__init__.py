"""Holds the commands: arguments, exit codes and progress, and it alone prints. It must not know how a figure is worked
out or laid out.

Everything but click is imported when a command needs it, so that `simfs --help` answers at once.
"""

from __future__ import annotations

import os
import sys

import click

from simfs.cli.changing.improve_command import improve
from simfs.cli.changing.moving_command import moving
from simfs.cli.comparing.compare_command import compare
from simfs.cli.cuts_command import cuts
from simfs.cli.exits import BAD_INPUT, STOPPED, Commands, Stopped
from simfs.cli.fleet_command import fleet
from simfs.cli.image_command import image
from simfs.cli.life_command import life
from simfs.cli.map_command import flash_map
from simfs.cli.mount_command import mount
from simfs.cli.new_command import new
from simfs.cli.parts_command import parts
from simfs.cli.reference_commands import keys, recorder, schema
from simfs.cli.run_command import run
from simfs.cli.sweep_command import sweep
from simfs.cli.teaching.lesson_command import lesson
from simfs.cli.teaching.try_command import try_out


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="simfs", message="simfs %(version)s", help="Print the version and exit.")
def commands() -> None:
    """Replay what a device does with its files on a model of its flash, and see whether the flash will last.

    \b
    To begin with a scenario of your own:
      simfs new logger
      simfs run logger.toml
    """


commands.add_command(run)
commands.add_command(compare)
commands.add_command(cuts)
commands.add_command(fleet)
commands.add_command(image)
commands.add_command(improve)
commands.add_command(keys)
commands.add_command(lesson)
commands.add_command(life)
commands.add_command(flash_map)
commands.add_command(mount)
commands.add_command(moving)
commands.add_command(new)
commands.add_command(parts)
commands.add_command(recorder)
commands.add_command(schema)
commands.add_command(sweep)
commands.add_command(try_out)


def main() -> None:
    """The program `simfs`."""
    if sys.stderr is None:  # it was closed: what is said there is not wanted
        sys.stderr = open(os.devnull, "w")  # noqa: SIM115
    if sys.stdout is None:
        print("standard output: it is closed; send it to /dev/null if no report is wanted", file=sys.stderr)
        sys.exit(BAD_INPUT)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a name that the terminal can't show must not end the report
    try:
        sys.exit(commands.main(prog_name="simfs", standalone_mode=False))
    except click.exceptions.NoArgsIsHelpError as error:
        print(error.format_message(), file=sys.stderr)
        sys.exit(BAD_INPUT)
    except click.UsageError as error:
        asked, said = error.ctx.command_path if error.ctx else "simfs", " ".join(error.format_message().split())
        print(f"simfs: {said}{'' if said[-1] in '.?' else '.'} See {asked} --help.", file=sys.stderr)
        sys.exit(BAD_INPUT)
    except Stopped as error:
        error.show()
        sys.stderr.flush()
        os._exit(error.exit_code)  # nothing is left to do, and to take down a large run in good order takes a while
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except click.Abort:  # stopped before a command began
        sys.exit(STOPPED)
