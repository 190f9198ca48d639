"""Numbers for people: three significant digits, a unit, commas between thousands. ASCII only, for any terminal."""

from __future__ import annotations

from simfs.files.contract import Settings
from simfs.replay.device.clock import (
    NS_PER_DAY,
    NS_PER_MS,
    NS_PER_S,
    NS_PER_US,
    NS_PER_YEAR,
    YEARS_SHOWN_MAX,
    format_moment,
)

MINUTE_NS, HOUR_NS = 60 * NS_PER_S, 3_600 * NS_PER_S

_TIMES = (  # the first whose bound is not reached
    (NS_PER_MS, NS_PER_US, "us"),
    (NS_PER_S, NS_PER_MS, "ms"),
    (2 * MINUTE_NS, NS_PER_S, "s"),
    (2 * HOUR_NS, MINUTE_NS, "min"),
    (2 * NS_PER_DAY, HOUR_NS, "h"),
    (2 * NS_PER_YEAR, NS_PER_DAY, "days"),
)
_ENERGIES = ((1_000, 1, "nJ"), (1_000_000, 1_000, "uJ"), (10**9, 10**6, "mJ"), (10**12, 10**9, "J"))


def number(value: float) -> str:
    """About three digits: 0.0123, 1.23, 12.3, 123, 12,345; whole numbers as they are."""
    if value == int(value) or abs(value) >= 100:
        return f"{value:,.0f}"
    if abs(value) >= 10:
        return f"{value:.1f}"
    return f"{value:.2f}" if abs(value) >= 0.1 else f"{value:.3g}"


def size(count_bytes: int) -> str:
    """Bytes, KiB or MiB."""
    if count_bytes < 4096:
        return f"{count_bytes:,} bytes" if count_bytes != 1 else "1 byte"
    whole_mib, odd_bytes = divmod(count_bytes, 1 << 20)
    if whole_mib >= 4 or not odd_bytes:
        return f"{number(count_bytes / (1 << 20))} MiB"
    return f"{number(count_bytes / 1024)} KiB"


def address(at: int) -> str:
    """A place in an image or a chip."""
    return f"{at:#x}"


def stretch(begin: int, end: int) -> str:
    """A range of addresses; the end is the first byte behind it."""
    return f"{address(begin)} to {address(end)}"


def time(time_ns: int) -> str:
    """From microseconds to years."""
    for bound_ns, unit_ns, unit in _TIMES:
        if time_ns < bound_ns:
            return f"{number(time_ns / unit_ns)} {unit}"
    return f"{number(time_ns / NS_PER_YEAR)} years"


def from_moment(start_ns: int) -> str:
    """When a run began, for its heading; nothing where nobody knows, as of a recording without dates."""
    return f" from {moment(start_ns)} on" if start_ns else ""


def moment(at_ns: int) -> str:
    """What the device's clock shows: the date, and the time of day unless it is midnight."""
    return format_moment(at_ns).partition(".")[0].removesuffix(" 00:00:00")


def years(time_ns: int) -> str:
    """Years of life, up to "over 1,000 years". Less than a year is shown as any other time."""
    if time_ns >= YEARS_SHOWN_MAX * NS_PER_YEAR:
        return f"over {YEARS_SHOWN_MAX:,} years"
    return time(time_ns) if time_ns < NS_PER_YEAR else f"{number(time_ns / NS_PER_YEAR)} years"


def energy(energy_nj: int) -> str:
    """From nJ to kJ."""
    for bound_nj, unit_nj, unit in _ENERGIES:
        if energy_nj < bound_nj:
            return f"{number(energy_nj / unit_nj)} {unit}"
    return f"{number(energy_nj / 10**12)} kJ"


def charge(energy_nj: int, supply_mv: int) -> str:
    """The charge that the energy takes at the supply. nJ / mV = uA s."""
    uah = energy_nj / supply_mv / 3600
    return f"{number(uah)} uAh" if uah < 1000 else f"{number(uah / 1000)} mAh"


def current(energy_nj: int, supply_mv: int, in_ns: int) -> str:
    """The average current that takes the energy in so long, at the supply. nJ / (mV ns) = 1000 A."""
    ua = energy_nj * 10**9 / supply_mv / in_ns
    return f"{number(ua)} uA" if ua < 1000 else f"{number(ua / 1000)} mA"


def ratio(value: float | None) -> str:
    """Two digits after the point; a dash where there is nothing to compare with."""
    return "-" if value is None else f"{value:,.2f}"


def percent(value: float) -> str:
    """One digit after the point."""
    return f"{value:.1f} %"


def counted(count: int, what: str, many: str = "") -> str:
    """'1 erase', '2 erases'."""
    return f"{count:,} {what if count == 1 else many or what + 's'}"


def plain(text: str, most: int = 60) -> str:
    """Text from outside on one line. Characters that could command a terminal are escaped; a text too long is cut."""
    shown = "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text)
    return shown if len(shown) <= most else f"{shown[: most - 3]}..."


def into_the_run(at_ns: int) -> str:
    """When in a run something was."""
    return f"{time(at_ns)} into the run" if at_ns else "at the start"


def stands_on(part: str, block_count: int, block_bytes: int, settings: Settings, start_bytes: int = 0) -> str:
    """What the store stands on, and how it is set up, in one line."""
    blocks = f": {counted(block_count, settings.block)} of {size(block_bytes)}, " if block_bytes else ""
    total = size(block_count * block_bytes) if block_bytes else ""
    total += f" from {size(start_bytes)} on" if start_bytes and block_bytes else ""
    return f"{settings.medium.replace(' or ', ' and ')} {part}{blocks}{total}; store: {', '.join(settings.words)}"
