"""Runs tests on a changed module: the change is made to its source as it is imported, never to the file on disk.

One process imports the tests of all jobs and forks for each; the child puts its change into the functions that are
loaded (`loaded_code.py`), or imports simfs and the tests anew where that is not enough, and runs pytest there. So no
job can see another's change. A test that takes too much processor time ends its job: a changed loop may never end.
"""

from __future__ import annotations

import gc
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Iterable, Iterator, Sequence
from contextlib import redirect_stdout, suppress
from dataclasses import asdict, dataclass, field
from importlib import import_module
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder, SourceFileLoader
from io import StringIO
from pathlib import Path
from time import process_time
from types import CodeType, ModuleType
from typing import IO, Any

from tests.mutation.loaded_code import Loaded
from tests.support.places import ROOT

MEMORY_BYTES_MAX = 2 << 30  # a changed loop may eat memory instead of time
FIRST_FAILURE = "first-failure"  # of Hypothesis: an example that fails is enough, nobody reads a smaller one

UNUSED = (  # pytest's own; to have them ready takes a sixth of what a job costs beside its tests
    "cacheprovider", "debugging", "doctest", "faulthandler", "junitxml", "legacypath", "pastebin", "setuponly",
    "setupplan", "stepwise", "unittest",
)  # fmt: skip
OPTIONS = ["-q", "--no-header", "--assert=plain", "-p", "_hypothesis_pytestplugin"]
OPTIONS += [word for plugin in UNUSED for word in ("-p", f"no:{plugin}")]


@dataclass(frozen=True)
class Job:
    """Tests by their pytest names, of those what pytest's `-k` selects, with `source` in place of the module's own. No
    module: nothing is changed."""

    name: str
    tests: Sequence[str]
    module: str | None = None
    source: str = ""
    selected: str = ""
    stop_at_first: bool = True
    test_cpu_s_max: float = 10.0


@dataclass
class Outcome:
    """status: "passed", "failed" (a test did, or a test module could not be imported), "hung" (a test passed its
    limit), "unused" (the tests never imported the module) or "broken" (nothing was tried: the job itself is wrong);
    `seconds` of processor time by test, `text` is what pytest said."""

    name: str
    status: str
    failed: list[str] = field(default_factory=list)
    seconds: dict[str, float] = field(default_factory=dict)
    text: str = ""


def source_path(module: str) -> Path:
    path = ROOT.joinpath(*module.split("."))
    return path / "__init__.py" if path.is_dir() else path.with_suffix(".py")


def run(jobs: Iterable[Job], workers: int = 2) -> Iterator[Outcome]:
    """The outcome of each job, as they finish."""
    text = "".join(json.dumps(asdict(job)) + "\n" for job in jobs)
    command = [sys.executable, "-m", "tests.mutation.forked_tests", str(workers)]
    with tempfile.TemporaryFile("w+") as given:
        given.write(text)
        given.seek(0)
        with subprocess.Popen(command, cwd=ROOT, stdin=given, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            for line in process.stdout:
                yield Outcome(**json.loads(line))
    assert process.returncode == 0, f"{command} ended with {process.returncode}"


class _ChangedLoader(SourceFileLoader):
    """Compiles the changed source; neither reads nor writes a bytecode file."""

    def __init__(self, module: str, path: str, source: str) -> None:
        super().__init__(module, path)
        self._source = source

    def get_code(self, fullname: str) -> CodeType:
        code: CodeType = compile(self._source, self.path, "exec", dont_inherit=True)
        return code


class _ChangedFinder(MetaPathFinder):
    def __init__(self, module: str, source: str) -> None:
        self._module = module
        self._source = source

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if fullname != self._module:
            return None
        spec = PathFinder.find_spec(fullname, path, target)
        if spec is not None and spec.origin is not None:
            spec.loader = _ChangedLoader(fullname, spec.origin, self._source)
        return spec


class _Watch:
    """A pytest plugin: which tests failed, how long each took, and an end to one that takes too long."""

    def __init__(self, outcome: Outcome, cpu_s_max: float) -> None:
        self._outcome = outcome
        self._cpu_s_max = cpu_s_max
        self._began_s = 0.0

    def pytest_collection_finish(self) -> None:
        gc.freeze()  # pytest collects garbage five times when it ends, and what is here by now is none

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        self._began_s = process_time()
        signal.setitimer(signal.ITIMER_PROF, self._cpu_s_max)  # its signal ends the process

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed:
            self._outcome.failed.append(report.nodeid)

    def pytest_collectreport(self, report: Any) -> None:
        if report.failed:
            self._outcome.failed.append(report.nodeid)

    def pytest_runtest_logfinish(self, nodeid: str) -> None:
        signal.setitimer(signal.ITIMER_PROF, 0)
        self._outcome.seconds[nodeid] = round(process_time() - self._began_s, 3)


def _plant(module: str, source: str, loaded: Loaded) -> None:
    """Have what is loaded, or what the tests will import, as this source has it."""
    path = source_path(module)
    if module in sys.modules and loaded.change(str(path), path.read_text(), source):
        return
    for name in list(sys.modules):
        if name.partition(".")[0] in ("simfs", "tests"):
            del sys.modules[name]
    sys.meta_path.insert(0, _ChangedFinder(module, source))


def _perform(job: Job, folder: Path, loaded: Loaded) -> Outcome:
    """In the child: run the job's tests."""
    import pytest

    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES_MAX, MEMORY_BYTES_MAX))
    os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = str(folder / "hypothesis")
    outcome = Outcome(job.name, "broken")
    signal.setitimer(signal.ITIMER_PROF, job.test_cpu_s_max)  # for the imports
    if job.module is not None:
        _plant(job.module, job.source, loaded)
    shown = "short" if job.module is None else "line"  # to show the lines of a test costs as much as most tests
    options = [*OPTIONS, f"--tb={shown}", "--hypothesis-seed=0", f"--hypothesis-profile={FIRST_FAILURE}"]
    options.append(f"--basetemp={folder / 'tests'}")
    options += ["-k", job.selected] if job.selected else []
    options += ["-x"] if job.stop_at_first else []
    code = pytest.main([*options, *job.tests], plugins=[_Watch(outcome, job.test_cpu_s_max)])
    if outcome.failed:
        outcome.status = "failed"
    elif code == pytest.ExitCode.OK:
        outcome.status = "passed"
    if job.module is not None and job.module not in sys.modules:
        outcome.status = "unused" if outcome.status == "passed" else outcome.status
    return outcome


def _child(job: Job, folder: Path, loaded: Loaded) -> None:
    """Never returns."""
    code = 1
    try:
        with (folder / "text").open("w") as text:
            os.dup2(text.fileno(), 1)
            os.dup2(text.fileno(), 2)
        outcome = _perform(job, folder, loaded)
        sys.stdout.flush()
        (folder / "outcome").write_text(json.dumps(asdict(outcome)))
        code = 0
    except BaseException:  # the child must not go on as its parent
        traceback.print_exc()
        sys.stderr.flush()
    os._exit(code)


def _reap(running: dict[int, tuple[Job, Path]], to: IO[str]) -> None:
    """Wait for one child and write down what came of it."""
    pid, status = os.wait()
    job, folder = running.pop(pid)
    told = folder / "outcome"
    hung = os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGPROF  # the timer's
    outcome = Outcome(**json.loads(told.read_text())) if told.exists() else Outcome(job.name, "broken")
    outcome.status = "hung" if hung else outcome.status
    outcome.text = (folder / "text").read_text(errors="replace")[-4000:]
    shutil.rmtree(folder)
    print(json.dumps(asdict(outcome)), file=to, flush=True)


def _load(jobs: Sequence[Job]) -> Loaded:
    """Import the modules of all tests, and what pytest itself needs."""
    import pytest
    from hypothesis import Phase, settings

    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"  # plugins that the tests don't need may be any, or broken
    with redirect_stdout(StringIO()):
        pytest.main([*OPTIONS, "--collect-only", __file__])  # loads its own plugins and our conftest
    settings.register_profile(FIRST_FAILURE, phases=[Phase.explicit, Phase.generate], database=None)
    settings.load_profile(FIRST_FAILURE)  # the settings of a test take what they don't say from this, at its import
    loaded = Loaded(str(ROOT))
    with loaded.noted():
        for path in sorted({test.partition("::")[0] for job in jobs for test in job.tests}):
            with suppress(ImportError, pytest.skip.Exception):  # for want of a package; the child says so
                import_module(path.removesuffix(".py").replace("/", "."))
    gc.freeze()  # pytest collects garbage when it ends, and what is here is none
    return loaded


def serve(workers: int) -> None:
    """Jobs from standard input, one a line; outcomes to standard output."""
    jobs = [Job(**json.loads(line)) for line in sys.stdin]
    loaded = _load(jobs)
    running: dict[int, tuple[Job, Path]] = {}
    for job in jobs:
        while len(running) >= workers:
            _reap(running, sys.stdout)
        folder = Path(tempfile.mkdtemp(prefix="forked-"))
        sys.stdout.flush()
        pid = os.fork()
        if not pid:
            _child(job, folder, loaded)
        running[pid] = (job, folder)
    while running:
        _reap(running, sys.stdout)


if __name__ == "__main__":
    serve(int(sys.argv[1]))
