"""After how long the work of a scenario comes again, and how long it has to run before it shows whether its files go on
growing."""

from __future__ import annotations

from collections.abc import Mapping

from simfs.replay.device.clock import NS_PER_DAY
from simfs.replay.scenario.patterns import CLOCK, CLOCK_FIELDS, Pattern
from simfs.replay.scenario.tables import Scenario
from simfs.replay.scenario.tasks import Append, FileOperation, Growing, Read, Rename, Task, Update

ROUNDS = 8  # of each task
PERIODS = 5  # a history has so many parts that can be compared with each other, and what comes before them
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


def period_ns(scenario: Scenario) -> int:
    """What comes again, such as a file that is written anew or that goes, comes within this time."""
    return max((_period_ns(task, of) for task in scenario.task for of in task.operations), default=0)


def _every_ns(task: Task) -> int:
    return task.every or (NS_PER_DAY if task.daily else 0)


def _period_ns(task: Task, operation: object) -> int:
    """Of one operation: from one to the next, or for how long a name is the newest where such names go in time."""
    if not isinstance(operation, FileOperation) or isinstance(operation, Read):
        return 0
    goes = operation.back or (isinstance(operation, Growing) and operation.keep)
    lasts_ns = _lasts_ns(_pattern(operation), _every_ns(task) * task.counter_every) if goes else 0
    return max(_every_ns(task) * _gathered(operation), lasts_ns)


def _pattern(operation: FileOperation) -> Pattern:
    return operation.to if isinstance(operation, Rename) else operation.file


def _gathered(operation: FileOperation) -> int:
    return operation.gather if isinstance(operation, Append) else 1


def _of_task(task: Task, sizes: Mapping[str, int]) -> int:
    return 2 * task.first + max(_of_operation(task, of, sizes) for of in task.operations)


def _of_operation(task: Task, operation: object, sizes: Mapping[str, int]) -> int:
    if not isinstance(operation, FileOperation) or isinstance(operation, Read):
        return 0
    every_ns = _every_ns(task)
    if isinstance(operation, Update):
        return ROUNDS * every_ns + 2 * every_ns * _updates(operation, sizes.get(operation.file.text, 0))
    pattern, gathered = _pattern(operation), _gathered(operation)
    kept = operation.keep if isinstance(operation, Growing) else None
    ages = 2 + (kept or 0) if kept or operation.back else 0  # of a name, until the first that goes is gone
    lasts_ns = _lasts_ns(pattern, every_ns * task.counter_every)
    told_ns = ROUNDS * every_ns * gathered + ages * lasts_ns + _returns_ns(pattern) + operation.back
    return max(told_ns, PERIODS * _period_ns(task, operation))


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
