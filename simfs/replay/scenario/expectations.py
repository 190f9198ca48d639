"""The expectations of a scenario or a script. They are only checked for form here; `simfs.study` judges them."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from simfs.replay.scenario.fields import AnySize, Duration, Name, Period, Size, Table


class Expect(Table):
    """What must hold at the end. A key that is left out is not judged.

    `Run.expect` has the keys that were given: durations as integers of ns, sizes as integers of bytes.
    """

    life_min: Period | None = Field(
        default=None, description="until the hottest block reaches its rated cycles at this pace"
    )
    life_even_min: Period | None = Field(default=None, description="the same if all blocks wore evenly")
    write_stall_max: Duration | None = Field(default=None, description="the longest stall of a write at typical times")
    write_stall_p999_max: Duration | None = Field(default=None, description="the 99.9th percentile stall of a write")
    write_stall_bound_max: Duration | None = Field(default=None, description="the longest stall at the maximum times")
    held_read_max: Duration | None = Field(default=None, description="the longest that a read was held up")
    mount_max: Duration | None = Field(default=None, description="the longest mount")
    refused_max: int | None = Field(default=None, ge=0, description="operations refused")
    names_fit: bool | None = Field(default=None, description="true: no name is overlong, cut or collides")
    write_amplification_max: float | None = Field(
        default=None, ge=0, description="bytes programmed for each byte written"
    )
    erase_count_max: int | None = Field(default=None, ge=0, description="erases of the hottest block in this run")
    erases_max: int | None = Field(default=None, ge=0, description="erases of all blocks in this run")
    room_percent_max: float | None = Field(
        default=None, ge=0, le=100, description="highest live bytes, % of the capacity"
    )
    ram_max: Size | None = Field(default=None, description="RAM that the store needs on the device")
    energy_mj_per_day_max: float | None = Field(default=None, ge=0, description="energy a day, mJ")
    sound: bool | None = Field(default=None, description="true: the store's own check finds nothing")
    file_count_min: int | None = Field(default=None, ge=0, description="files at the end, at least")
    file_count_max: int | None = Field(default=None, ge=0, description="files at the end, at most")
    files_present: list[Name] | None = Field(
        default=None, max_length=10_000, description="names that are there at the end"
    )
    files_absent: list[Name] | None = Field(
        default=None, max_length=10_000, description="names that are not there at the end"
    )
    file_sizes: dict[Name, AnySize] | None = Field(default=None, description="sizes of files at the end, by name")
    file_texts: dict[Name, str] | None = Field(default=None, description="contents of files at the end, by name")

    unmet: list[str] | None = Field(
        default=None, max_length=100, description="which of these are not met, on purpose: a test of it passes so"
    )

    @model_validator(mode="after")
    def _unmet_are_expected(self) -> Self:
        expected = sorted(name for name in self.model_fields_set - {"unmet"} if getattr(self, name) is not None)
        for name in self.unmet or ():
            if name not in expected:
                known = f"name some of {', '.join(expected)}" if expected else "expect something first"
                raise ValueError(f'unmet names "{name}", which is not expected here; {known}')
        return self

    def table(self) -> dict[str, object]:
        """The keys that were given, with their values."""
        return self.model_dump(exclude_unset=True)
