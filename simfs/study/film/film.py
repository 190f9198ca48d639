"""A whole run as a film: what each operation changed on the flash, forwards and back."""

from __future__ import annotations

from dataclasses import dataclass, field

from simfs.files.contract import AnyStore
from simfs.files.store import the_log
from simfs.replay.device.observer import BOOT_TASK
from simfs.store.pages import PageState, page_states
from simfs.store.tables.blocks import State
from simfs.store.tables.listener import Cause
from simfs.store.volume import Volume
from simfs.study.film.steps import Action, Step, view_of

STEPS_MAX = 100_000
PAGES = (*PageState, "weak")
"""What a page may hold, by number. Weak: a power cut came in its program or erase, and it has not been erased since."""
WEAK = PAGES.index("weak")
CLEANING, ERASE, CUT, REFUSED = 1, 2, 4, 8
MARKS = {"cleaning": CLEANING, "erase": ERASE, "cut": CUT, "refused": REFUSED}
"""What may be looked for in a film, each with its bit of a step's marks."""


@dataclass(slots=True)
class Film:
    """All steps and what they change. Changes of a step: of pages, [page, before, after] by their numbers in `PAGES`,
    pages counted over all blocks; of blocks, [block, state before, after]; erases: blocks, once for each."""

    block_bytes: int
    page_bytes: int
    pages_first: list[int]
    states_first: list[int]
    erases_first: list[int]
    steps: list[Step] = field(default_factory=list)
    marks: list[int] = field(default_factory=list)
    page_changes: list[list[tuple[int, int, int]]] = field(default_factory=list)
    state_changes: list[list[tuple[int, int, int]]] = field(default_factory=list)
    erases: list[list[int]] = field(default_factory=list)
    left_out: int = 0

    @property
    def pages_of_block(self) -> int:
        return self.block_bytes // self.page_bytes


class FilmMaker:
    """Takes each step as it is done; `film` is there from the first one on."""

    def __init__(self, store: AnyStore) -> None:
        view = view_of(store)
        pages = [PAGES.index(page) for block in view.pages for page in block]
        states = [int(state) for state in view.states]
        self.film = Film(view.block_bytes, view.page_bytes, pages, states, list(view.erase_counts))
        self._pages, self._states = list(pages), list(states)
        self._live = list(the_log(store).volume.state.blocks.live)
        self._weak: set[int] = set()

    def take(self, step: Step, store: AnyStore) -> None:
        """Note a step. Costs a look at the frames of each block that it touched."""
        film = self.film
        if len(film.steps) >= STEPS_MAX:
            film.left_out += 1
            return
        self._note_weak(step)
        volume = the_log(store).volume
        touched = {action.address // film.block_bytes for action in step.actions}
        live = volume.state.blocks.live
        touched |= {block for block, (old, new) in enumerate(zip(self._live, live, strict=True)) if old != new}
        if step.task == BOOT_TASK:  # a mount works out anew what counts
            touched = set(range(len(live)))
        self._live = list(live)
        film.steps.append(step)
        film.marks.append(_marks(step))
        film.erases.append([action.address // film.block_bytes for action in step.actions if _is_erase(action)])
        film.page_changes.append([one for block in sorted(touched) for one in self._changed_pages(volume, block)])
        film.state_changes.append(list(self._changed_states(volume.state.blocks.state)))

    def _changed_pages(self, volume: Volume, block: int) -> list[tuple[int, int, int]]:
        first = block * self.film.pages_of_block
        found = []
        for number, holds in enumerate(page_states(volume, block), first):
            after = WEAK if number in self._weak else PAGES.index(holds)
            if after != self._pages[number]:
                found.append((number, self._pages[number], after))
                self._pages[number] = after
        return found

    def _changed_states(self, states: list[State]) -> list[tuple[int, int, int]]:
        found = [
            (block, old, int(new))
            for block, (old, new) in enumerate(zip(self._states, states, strict=True))
            if old != new
        ]
        for block, _, new in found:
            self._states[block] = new
        return found

    def _note_weak(self, step: Step) -> None:
        """Pages that a cut left weak, and those that an erase made sound again."""
        film, count = self.film, self.film.pages_of_block
        for action in step.actions:
            if _is_erase(action):
                first = action.address // film.page_bytes
                self._weak -= set(range(first, first + count))
        changes = [action for action in step.actions if action.cause is not None]
        if step.cut and changes:
            last = changes[-1]
            first = last.address // film.page_bytes
            end = (last.address + last.length - 1) // film.page_bytes if last.length else first + count - 1
            self._weak |= set(range(first, end + 1))


def _is_erase(action: Action) -> bool:
    return action.cause is not None and not action.length


def _marks(step: Step) -> int:
    causes = {action.cause for action in step.actions}
    cleaning = CLEANING if causes & {Cause.RELOCATION, Cause.LEVELLING} else 0
    erase = ERASE if any(_is_erase(action) for action in step.actions) else 0
    return cleaning | erase | (CUT if step.cut else 0) | (REFUSED if step.refused else 0)
