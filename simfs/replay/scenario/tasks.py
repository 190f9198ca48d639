"""Tasks of a scenario: when the device does something, and the file operations it does then."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from simfs.replay.scenario.fields import (
    AnySize,
    ContentSize,
    Count,
    CountRange,
    Duration,
    NamePattern,
    Period,
    SizeRange,
    Table,
    Text,
    TimesOfDay,
)

OPEN_ENDS_MAX = 2


class _Operation(Table):
    repeat: Count = Field(default=1, description="how often the operation is done, one time right after the other")


class FileOperation(_Operation):
    """An operation on a file that it names."""

    file: NamePattern = Field(description='the file\'s name, for example "/log/{date}.csv"')
    only_if: Literal["absent", "present"] | None = Field(
        default=None, description="do it only if there is no such file (absent), or only if there is one (present)"
    )
    back: Duration = Field(
        default=0,
        description='how far back the dates and times in the name lie, for example "1 d" for the file of yesterday',
    )


class Content(FileOperation):
    """An operation that writes something."""

    needs_content: ClassVar[bool] = True

    size: SizeRange | None = Field(
        default=None,
        description='how many arbitrary bytes to write, "40 B", or a size drawn between two, ["20 B", "60 B"]; give '
        "this or `text`",
    )
    text: Text | None = Field(default=None, description='the text to write, for example "{time},{level}\\n"')

    @model_validator(mode="after")
    def _one_content(self) -> Self:
        if self.size is not None and self.text is not None:
            raise ValueError("it has both a size and a text; leave one of them out")
        if self.size is None and self.text is None and self.needs_content:
            raise ValueError('it has no contents; write size = "40 B" or text = "..."')
        return self


class Growing(Content):
    """An operation that may begin a new file."""

    keep: Count | None = Field(
        default=None,
        description="keep the newest n files that fit this name; older ones are removed before a new one begins",
    )

    @model_validator(mode="after")
    def _ages_can_be_told(self) -> Self:
        if self.keep is not None and self.file.open_ends > OPEN_ENDS_MAX:
            raise ValueError(
                f"more than {OPEN_ENDS_MAX} fields of no fixed length in its name have digits right behind them; "
                "write a letter or a dash between them, or leave keep out"
            )
        return self


class Append(Growing):
    """Opens the file for append, writes at its end and closes it; makes the file if there is none."""

    do: Literal["append"]
    gather: Count = Field(
        default=1,
        description="how many records the firmware collects in its own RAM before it writes them with one open, "
        "write and close; it also writes when the name changes, and a boot loses what waits",
    )


class Write(Growing):
    """Opens the file for writing, which empties it or makes it, writes it whole and closes it."""

    do: Literal["write"]


class Create(Growing):
    """Makes a file that must not be there yet; an empty one without `size` and `text`."""

    needs_content: ClassVar[bool] = False

    do: Literal["create"]


class Update(Content):
    """Writes into a file in place; the file must be there."""

    do: Literal["update"]
    at: AnySize | Literal["next", "any"] = Field(
        default="next",
        description='where to write: an offset such as "128 B", "next" for right behind the last update, from the '
        'start again at the end of the file, or "any" for a place drawn at random',
    )


class Read(FileOperation):
    """Reads a file or a part of it."""

    do: Literal["read"]
    size: ContentSize | None = Field(default=None, description="how much to read; without it, all to the end")
    at: AnySize = Field(default=0, description="where to begin reading")


class Remove(FileOperation):
    """Removes a file."""

    do: Literal["remove"]


class Rename(FileOperation):
    """Renames a file; a file that has the new name already is replaced in the same step."""

    do: Literal["rename"]
    to: NamePattern = Field(description='the new name, for example "/settings.json"')


class Truncate(FileOperation):
    """Cuts a file short, or makes it longer with zeros."""

    do: Literal["truncate"]
    size: AnySize = Field(description="the size that the file has afterwards")


class ListNames(_Operation):
    """Lists the names that begin with a prefix."""

    do: Literal["list"]
    prefix: str = Field(
        default="", max_length=1024, description='how the names begin, for example "/log/"; "" for all names'
    )


class Boot(Table):
    """Resets the device: records that wait in RAM are lost, the store is mounted, and the tasks at boot run. It must be
    the last operation of its task."""

    do: Literal["boot"]


Operation = Annotated[
    Append | Write | Create | Update | Read | Remove | Rename | Truncate | ListNames | Boot, Field(discriminator="do")
]


class Burst(Table):
    """Several runs of a task at each time, one shortly after the other."""

    count: CountRange = Field(description="how many runs, 8, or a number drawn between two, [3, 20]")
    gap: Duration = Field(default=0, description="the time from one run to the next")
    jitter: Duration = Field(default=0, description="each gap is longer by a random time up to this")


class Until(Table):
    """When a task ends for good: as soon as one of these holds."""

    runs: Count | None = Field(default=None, description="it has run this often")
    after: Period | None = Field(default=None, description="this much time has passed since the start of the run")
    refusals: Count | None = Field(default=None, description="this many of its operations were refused")
    live_percent: float | None = Field(
        default=None, gt=0, le=100, description="live data fills this share of the capacity, in percent"
    )


class Task(Table):
    """What the device does, and when. Give one of `every`, `daily` and `at_boot`. The device does one thing after the
    other, and a task that becomes due meanwhile waits."""

    name: str = Field(min_length=1, max_length=40, description="a name for the report, used once")
    every: Period | None = Field(default=None, description='the time from one run to the next, for example "6 min"')
    daily: TimesOfDay | None = Field(
        default=None, description='the times of day at which it runs, "03:00" or ["06:00", "18:00"]'
    )
    at_boot: bool = Field(
        default=False, description="true to run at the start and after each boot, before all that waits"
    )
    first: Duration = Field(default=0, description="how long after the start the first run is; goes only with `every`")
    jitter: Duration = Field(default=0, description="each run is later by a random time up to this")
    burst: Burst | None = Field(default=None, description="several runs each time instead of one")
    until: Until | None = Field(default=None, description="what ends the task for good")
    counter_every: Count = Field(default=1, description="after how many runs `{counter}` goes up by one")
    operations: list[Operation] = Field(
        min_length=1, max_length=100, description="what it does in each run: one or more operations, in order"
    )

    @model_validator(mode="after")
    def _one_trigger(self) -> Self:
        given = [key for key in ("every", "daily", "at_boot") if getattr(self, key) not in (None, False)]
        if len(given) != 1:
            what = f"it has {' and '.join(given)}" if given else "nothing says when it runs"
            raise ValueError(f'{what}; write one of every = "6 min", daily = "03:00", at_boot = true')
        if self.first and self.every is None:
            raise ValueError("first goes only with every; leave it out")
        if self.jitter and self.at_boot:
            raise ValueError("jitter goes only with every and daily; leave it out")
        if any(operation.do == "boot" for operation in self.operations[:-1]):
            raise ValueError("nothing of a task comes after a boot; make it the last operation")
        if self.at_boot and self.operations[-1].do == "boot":
            raise ValueError("a task at boot that boots never ends; leave the boot out")
        return self
