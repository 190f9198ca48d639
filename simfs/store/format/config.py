"""The settings of a store. All of them are on the flash, in every statement."""

from __future__ import annotations

from dataclasses import dataclass

# A cleaner's place is its number on the flash, so a new one goes to the end. The flags have three bits for it.
CLEANERS = ("oldest-first", "greedy", "cost-benefit", "random", "best-of-d")
PACKINGS = ("byte", "page")
BUFFER_BYTES_MIN = 16
OVERLONG = ("reject", "cut")


@dataclass(frozen=True, slots=True)
class StoreConfig:
    """Settings of a store, fixed by `Store.format`.

    cleaner          how the block to clean is chosen; `choices` is d of "best-of-d"
    log_heads        1, or 2: new and relocated data go to blocks of their own
    packing          "byte": frames follow each other; "page": each frame starts on a page
    buffer_bytes     a file's write buffer, and the most bytes that one frame holds; None: 256, or what fills a page
    reserve_blocks   erase blocks beside the open ones that files never fill; None: 3, the two that the log names
                     ahead and one for the cleaner
    level_threshold  difference of erase counts from which cold blocks are moved; 0: no wear levelling
    idle_cleaning    clean and erase ahead in idle time too, not only when room is needed
    name_bytes       the longest name with its terminator, the path counted
    overlong         "reject" a longer name, or "cut" it silently as an unchecked store would
    fold_case        ASCII letters of either case are the same name
    open_files_max   how many files may be open at once
    seed             of the random cleaners

    Raises ValueError, which names the setting.
    """

    cleaner: str = "greedy"
    choices: int = 2
    log_heads: int = 1
    packing: str = "byte"
    buffer_bytes: int | None = None
    reserve_blocks: int | None = None
    level_threshold: int = 8
    idle_cleaning: bool = False
    name_bytes: int = 48
    overlong: str = "reject"
    fold_case: bool = False
    open_files_max: int = 8
    seed: int = 0

    def __post_init__(self) -> None:
        _one_of("cleaner", self.cleaner, CLEANERS)
        _one_of("packing", self.packing, PACKINGS)
        _one_of("overlong", self.overlong, OVERLONG)
        _between("log_heads", self.log_heads, 1, 2)
        _between("choices", self.choices, 1, 255)
        if self.buffer_bytes is not None:
            _between("buffer_bytes", self.buffer_bytes, BUFFER_BYTES_MIN, 32768)
        if self.reserve_blocks is not None:
            _between("reserve_blocks", self.reserve_blocks, 2, 65535)
        _between("level_threshold", self.level_threshold, 0, 65535)
        _between("name_bytes", self.name_bytes, 2, 256)
        _between("open_files_max", self.open_files_max, 1, 65535)
        _between("seed", self.seed, 0, 2**32 - 1)

    @property
    def reserve(self) -> int:
        """Erase blocks that stay free."""
        return 3 if self.reserve_blocks is None else self.reserve_blocks


def _one_of(what: str, value: object, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise ValueError(f"{what} is {value!r}; it must be one of {', '.join(allowed)}")


def _between(what: str, value: object, least: int, most: int) -> None:
    if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
        raise ValueError(f"{what} is {value!r}; it must be a whole number from {least} to {most}")
