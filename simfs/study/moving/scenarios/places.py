"""Where in a scenario an operation stands that its run did."""

from __future__ import annotations

from collections.abc import Iterator

from simfs.replay.scenario.patterns import Pattern
from simfs.replay.scenario.tables import Scenario
from simfs.replay.scenario.tasks import FileOperation, Growing, ListNames, Rename
from simfs.replay.scenario.toml_lines import Path, key_lines, line_of, spell


class Places:
    """The operations of a scenario by what its run shows of them: the task, what was done, the file's name."""

    def __init__(self, scenario: Scenario, text: str) -> None:
        self._scenario = scenario
        self._lines = key_lines(text)
        self._paths: dict[str, Path] = {}
        self._found: dict[tuple[str, str, str], str] = {}

    def of(self, task: str, operation: str, name: str) -> str:
        """The place as people write it, such as `task[0].operations[1]`; that of the task where none fits."""
        key = (task, operation, name)
        if key not in self._found:
            path = next(self._fitting(*key), None) or self._task(task)
            self._found[key] = spell(path)
            self._paths[spell(path)] = path
        return self._found[key]

    def that_names(self, name: str) -> str:
        """The first place that gives a file this name; "" if there is none."""
        for task in self._scenario.task:
            for operation in task.operations:
                if isinstance(operation, FileOperation) and any(_fits(one, name) for one in _patterns(operation)):
                    return self.of(task.name, operation.do, name)
        return ""

    def line(self, place: str) -> int:
        return line_of(self._lines, self.path(place))

    def path(self, place: str) -> Path:
        return self._paths.get(place, ())

    def operation(self, place: str) -> object:
        """The operation itself; None where the place is a whole task."""
        path = self.path(place)
        return self._scenario.task[int(path[1])].operations[int(path[3])] if len(path) == 4 else None

    def pattern(self, place: str, name: str) -> Pattern | None:
        """The pattern of the place that gives the name."""
        operation = self.operation(place)
        patterns = _patterns(operation) if isinstance(operation, FileOperation) else ()
        return next((one for one in patterns if _fits(one, name)), None)

    def _task(self, name: str) -> Path:
        return next((("task", at) for at, task in enumerate(self._scenario.task) if task.name == name), ("task",))

    def _fitting(self, task: str, operation: str, name: str) -> Iterator[Path]:
        """The operations that may have done it; a removal also stands for the `keep` of one that writes."""
        for at, one in enumerate(self._scenario.task):
            if one.name != task:
                continue
            for position, of in enumerate(one.operations):
                if isinstance(of, ListNames):
                    fits = operation == "list" and of.prefix == name
                elif isinstance(of, FileOperation):
                    kept = operation == "remove" and isinstance(of, Growing) and of.keep is not None
                    fits = (of.do == operation or kept) and _fits(of.file, name)
                else:
                    fits = False
                if fits:
                    yield ("task", at, "operations", position)


def _patterns(operation: FileOperation) -> tuple[Pattern, ...]:
    return (operation.file, operation.to) if isinstance(operation, Rename) else (operation.file,)


def _fits(pattern: Pattern, name: str) -> bool:
    return pattern.expression().fullmatch(name) is not None
