"""The expectations of a scenario or a script. They are only checked for form here; `simfs.study` judges them."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from simfs.replay.scenario.fields import AnySize, Duration, Name, Period, Size, Table
from simfs.replay.scenario.near_words import did_you_mean


class Expect(Table):
    """What must hold at the end. A key that is left out is not judged, except for these: `refused_max`,
    `lost_records_max`, `lost_readings_max`, `late_max`, `names_fit` and `writable` hold by default, so that nothing
    happens to the data without a word. Left out, `late_max` is 1 % of the run, or twice the longest write where that is
    more.

    `Run.expect` has the keys that were given: durations as integers of ns, sizes as integers of bytes.
    """

    life_min: Period | None = Field(
        default=None,
        description="the hottest block takes at least this long to reach its rated cycles, at the pace of the run, "
        "those of rewritten regions included",
    )
    life_even_min: Period | None = Field(
        default=None, description="the same if the erases were spread evenly over all blocks"
    )
    write_stall_max: Duration | None = Field(
        default=None, description="no write keeps the device waiting longer, at the flash's typical times"
    )
    write_stall_p999_max: Duration | None = Field(
        default=None, description="999 of 1,000 writes keep the device waiting no longer, at the flash's typical times"
    )
    write_stall_bound_max: Duration | None = Field(
        default=None, description="no write keeps the device waiting longer, at the flash's longest times"
    )
    held_read_max: Duration | None = Field(
        default=None, description="no read that was due waits longer for the flash to become free"
    )
    mount_max: Duration | None = Field(default=None, description="no mount takes longer")
    refused_max: int | None = Field(default=None, ge=0, description="at most so many operations are refused")
    lost_records_max: int | None = Field(
        default=None,
        ge=0,
        description="at most so many gathered records are lost in the device's own RAM at a boot",
    )
    lost_readings_max: int | None = Field(
        default=None,
        ge=0,
        description="at most so many readings are lost with a card that is taken out in the middle of a write, where "
        'the store is of the kind "both"',
    )
    late_max: Duration | None = Field(
        default=None, description="the work that is due in the run is done at most so long after its end"
    )
    writable: bool | None = Field(default=None, description="true if the next mount finds a store that can be written")
    names_fit: bool | None = Field(
        default=None, description="true if no name is too long, is cut, or falls together with another"
    )
    write_amplification_max: float | None = Field(
        default=None, ge=0, description="the flash programs at most so many bytes for each byte that the device writes"
    )
    erase_count_max: int | None = Field(
        default=None, ge=0, description="no block is erased more often than this in the run"
    )
    erases_max: int | None = Field(
        default=None, ge=0, description="all blocks together are erased at most so often in the run"
    )
    room_percent_max: float | None = Field(
        default=None, ge=0, le=100, description="live data never fills more of the capacity than this, in percent"
    )
    ram_max: Size | None = Field(default=None, description="the store needs at most so much RAM on the device")
    energy_mj_per_day_max: float | None = Field(
        default=None, ge=0, description="the flash's work takes at most so much energy a day, in millijoules"
    )
    battery_min: Period | None = Field(
        default=None, description="a battery lasts at least this long at the pace of the run, as far as it is counted"
    )
    sound: bool | None = Field(default=None, description="true if the store's own check finds nothing wrong")
    file_count_min: int | None = Field(default=None, ge=0, description="there are at least so many files at the end")
    file_count_max: int | None = Field(default=None, ge=0, description="there are at most so many files at the end")
    files_present: list[Name] | None = Field(
        default=None, max_length=10_000, description='files that are there at the end, for example ["/settings.json"]'
    )
    files_absent: list[Name] | None = Field(
        default=None,
        max_length=10_000,
        description='files that are not there at the end, for example ["/settings.new"]',
    )
    file_sizes: dict[Name, AnySize] | None = Field(
        default=None, description='sizes of files at the end, for example { "/voice/00.snd" = "17 KiB" }'
    )
    file_texts: dict[Name, str] | None = Field(
        default=None, description='contents of files at the end, for example { "/state" = "idle" }'
    )

    unmet: list[str] | None = Field(
        default=None,
        max_length=100,
        description='which of these are not met, on purpose, for example ["names_fit"]; as a pytest test, the '
        "scenario passes if just these are not met",
    )

    @model_validator(mode="after")
    def _unmet_are_expected(self) -> Self:
        expected = sorted(name for name in self.model_fields_set - {"unmet"} if getattr(self, name) is not None)
        for name in self.unmet or ():
            if name not in expected:
                some = f"{did_you_mean(name, expected)}name some of {', '.join(expected)}"
                known = some if expected else "expect something first"
                raise ValueError(f'unmet names "{name}", which is not expected here; {known}')
        return self

    @model_validator(mode="after")
    def _can_hold_together(self) -> Self:
        least, most = self.file_count_min or 0, self.file_count_max
        if most is not None and least > most:
            what = f"file_count_min = {least} is above file_count_max = {most}, so they never both hold"
            raise ValueError(f"{what}; write the smaller of the two as file_count_min")
        wanted = {*(self.files_present or ()), *(self.file_sizes or ()), *(self.file_texts or ())}
        for name in self.files_absent or ():
            if name in wanted:
                raise ValueError(f'"{name}" is in files_absent, and expected to be there; leave one of the two out')
        return self

    def table(self) -> dict[str, object]:
        """The keys that were given, with their values."""
        return self.model_dump(exclude_unset=True)
