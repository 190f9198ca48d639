"""How long a scenario has to run before it shows whether its files go on growing."""

from __future__ import annotations

from collections.abc import Mapping

from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.scenario.patterns import CLOCK, CLOCK_FIELDS, Pattern
from simfs.replay.scenario.tables import Scenario
from simfs.replay.scenario.tasks import Append, FileOperation, Growing, Rename, Task, Update

ROUNDS = 8  # of each task: the last quarter of them is told from the first half
YEAR_NS, MONTH_NS = 366 * NS_PER_DAY, 31 * NS_PER_DAY
LASTS_NS = {**{name: CLOCK[name].tick_ns for name in CLOCK_FIELDS}, "month": MONTH_NS, "year": YEAR_NS}
RETURNS_NS = {"month": YEAR_NS, "day": MONTH_NS, "hour": NS_PER_DAY, "minute": LASTS_NS["hour"]}


def telling_ns(scenario: Scenario) -> int:
    """So long that each task has run some times, that names come again, and that what is kept for a while has begun to
    go. A shorter run may see nothing grow, and yet the store fills up."""
    operations = [of for task in scenario.task for of in task.operations]
    sizes: dict[str, int] = {}
    for of in operations:
        if isinstance(of, Growing) and of.size is not None:
            sizes[of.file.text] = max(of.size[1], sizes.get(of.file.text, 0))
    return max((_of_task(task, sizes) for task in scenario.task), default=0)


def _of_task(task: Task, sizes: Mapping[str, int]) -> int:
    every_ns = task.every or (NS_PER_DAY if task.daily else 0)
    return 2 * task.first + max(_of_operation(task, of, every_ns, sizes) for of in task.operations)


def _of_operation(task: Task, operation: object, every_ns: int, sizes: Mapping[str, int]) -> int:
    if not isinstance(operation, FileOperation):
        return 0
    if isinstance(operation, Update):
        return ROUNDS * every_ns + 2 * every_ns * _updates(operation, sizes.get(operation.file.text, 0))
    pattern = operation.to if isinstance(operation, Rename) else operation.file
    gathered = operation.gather if isinstance(operation, Append) else 1
    kept = operation.keep if isinstance(operation, Growing) else None
    ages = 2 + (kept or 0) if kept or operation.back else 0  # of a name, until the first that goes is gone
    lasts_ns = _lasts_ns(pattern, every_ns * task.counter_every)
    return ROUNDS * every_ns * gathered + ages * lasts_ns + _returns_ns(pattern) + operation.back


def _updates(update: Update, file_bytes: int) -> int:
    """How many fill the whole file: until then each adds a frame, and later ones take the place of those."""
    least = update.size[0] if update.size is not None else len(update.text.text if update.text else "")
    return file_bytes // max(1, least) // update.repeat


def _lasts_ns(pattern: Pattern, count_ns: int) -> int:
    """For how long the pattern gives one name."""
    lasts = [LASTS_NS[name] for name in pattern.fields & LASTS_NS.keys()]
    return min(lasts + [count_ns] * ("counter" in pattern.fields), default=0)


def _returns_ns(pattern: Pattern) -> int:
    """After how long the pattern gives the same names again; 0 where it never does, or always gives one."""
    fields = pattern.fields
    if not fields.isdisjoint({"counter", "boot", "date", "year"}):
        return 0
    return max((RETURNS_NS[name] for name in fields & RETURNS_NS.keys()), default=0)
