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
    repeat: Count = Field(default=1, description="how often, one after the other")


class FileOperation(_Operation):
    """One that names a file."""

    file: NamePattern = Field(description='the file\'s name, for example "/log/{date}.csv"')
    only_if: Literal["absent", "present"] | None = Field(default=None, description="when to do it at all")
    back: Duration = Field(
        default=0, description="how much earlier the dates in the name are, for example 1 d for yesterday"
    )


class Content(FileOperation):
    """One that writes something."""

    needs_content: ClassVar[bool] = True

    size: SizeRange | None = Field(
        default=None, description='bytes without meaning, "40 B" or from-to ["20 B", "60 B"]'
    )
    text: Text | None = Field(default=None, description='text, for example "{time},{level}\\n"')

    @model_validator(mode="after")
    def _one_content(self) -> Self:
        if self.size is not None and self.text is not None:
            raise ValueError("it has both a size and a text; leave one of them out")
        if self.size is None and self.text is None and self.needs_content:
            raise ValueError('it has no contents; write size = "40 B" or text = "..."')
        return self


class Growing(Content):
    """One that may begin a new file."""

    keep: Count | None = Field(
        default=None, description="keep the newest n files of this name pattern, remove older ones"
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
    """Open for append, write, close."""

    do: Literal["append"]
    gather: Count = Field(
        default=1,
        description="how many records the firmware gathers in its own RAM and writes at once, or when the file's name "
        "changes; a boot loses what waits",
    )


class Write(Growing):
    """Write the whole file anew."""

    do: Literal["write"]


class Create(Growing):
    """Create a file that must not be there yet; empty without contents."""

    needs_content: ClassVar[bool] = False

    do: Literal["create"]


class Update(Content):
    """Write into a file in place."""

    do: Literal["update"]
    at: AnySize | Literal["next", "any"] = Field(
        default="next",
        description='where: an offset, "next" (behind the last update, around at the end) or "any" (seeded)',
    )


class Read(FileOperation):
    """Read a file, or a part of it."""

    do: Literal["read"]
    size: ContentSize | None = Field(default=None, description="how much; else all of it")
    at: AnySize = Field(default=0, description="from where")


class Remove(FileOperation):
    """Remove a file."""

    do: Literal["remove"]


class Rename(FileOperation):
    """Rename a file, replacing whatever has the new name."""

    do: Literal["rename"]
    to: NamePattern = Field(description="the new name")


class Truncate(FileOperation):
    """Cut a file, or extend it with zeros."""

    do: Literal["truncate"]
    size: AnySize = Field(description="the file's new size")


class ListNames(_Operation):
    """List names by prefix."""

    do: Literal["list"]
    prefix: str = Field(default="", max_length=1024, description="what the names begin with")


class Boot(Table):
    """Reset the device: what comes after in its task is lost, the tasks at boot run."""

    do: Literal["boot"]


Operation = Annotated[
    Append | Write | Create | Update | Read | Remove | Rename | Truncate | ListNames | Boot, Field(discriminator="do")
]


class Burst(Table):
    """Several runs at each time, one shortly after the other."""

    count: CountRange = Field(description="how many runs, 8 or from-to [3, 20]")
    gap: Duration = Field(default=0, description="the time from one to the next")
    jitter: Duration = Field(default=0, description="up to how much longer each gap is, at random")


class Until(Table):
    """A task ends for good as soon as one of these holds."""

    runs: Count | None = Field(default=None, description="it has run so often")
    after: Period | None = Field(default=None, description="so much time has passed since the start")
    refusals: Count | None = Field(default=None, description="so many of its operations were refused")
    live_percent: float | None = Field(
        default=None, gt=0, le=100, description="live bytes fill so much of the capacity, %"
    )


class Task(Table):
    """What the device does, and when: `every`, `daily` or `at_boot`."""

    name: str = Field(min_length=1, max_length=40, description="a name for the report")
    every: Period | None = Field(default=None, description='the time from one run to the next, for example "6 min"')
    daily: TimesOfDay | None = Field(default=None, description='the times of day, for example "03:00"')
    at_boot: bool = Field(default=False, description="true to run at the start and after each boot")
    first: Duration = Field(default=0, description="when the first run is, after the start; with every")
    jitter: Duration = Field(default=0, description="up to how much later each run is, at random")
    burst: Burst | None = Field(default=None, description="several runs each time")
    until: Until | None = Field(default=None, description="what ends the task")
    counter_every: Count = Field(default=1, description="after how many runs {counter} goes up by one")
    operations: list[Operation] = Field(min_length=1, max_length=100, description="what it does, in order")

    @model_validator(mode="after")
    def _one_trigger(self) -> Self:
        if (self.every is not None) + (self.daily is not None) + self.at_boot != 1:
            raise ValueError('it has no one time to run; write one of every = "6 min", daily = "03:00", at_boot = true')
        if self.first and self.every is None:
            raise ValueError("first goes only with every; leave it out")
        if self.jitter and self.at_boot:
            raise ValueError("jitter goes only with every and daily; leave it out")
        if any(operation.do == "boot" for operation in self.operations[:-1]):
            raise ValueError("nothing of a task comes after a boot; make it the last operation")
        if self.at_boot and self.operations[-1].do == "boot":
            raise ValueError("a task at boot that boots never ends; leave the boot out")
        return self
