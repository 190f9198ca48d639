"""How much was in use in the course of a run: by hand, and against notes taken one by one."""

from random import Random

import pytest

from simfs.replay.device.room_history import STRETCH_NS_FIRST, STRETCHES_MAX, RoomHistory

DAY = 86_400 * 10**9


def history(levels: list[int], *, step_ns: int = DAY) -> RoomHistory:
    """A level after each step."""
    made = RoomHistory()
    for number, level in enumerate(levels):
        made.note(number * step_ns, level)
    return made


def test_steady_growth_has_its_pace() -> None:
    more_bytes, in_ns = history([100 * day for day in range(129)]).growth(129 * DAY) or (0, 1)
    assert more_bytes * DAY / in_ns == pytest.approx(100, rel=0.1)


@pytest.mark.parametrize(
    "levels",
    [
        [7] * 200,  # nothing changes
        [min(day, 60) for day in range(180)],  # full of what is kept after a third
        [day % 30 for day in range(300)],  # emptied each month
        [200 - day for day in range(180)],
        [1, 2],  # too short to tell
    ],
)
def test_what_does_not_grow_any_more_has_none(levels: list[int]) -> None:
    assert history(levels).growth(len(levels) * DAY) is None


def test_a_store_that_is_emptied_each_month_and_grows_all_the_same() -> None:
    assert history([day % 30 + day for day in range(300)]).growth(300 * DAY) is not None


def test_growth_that_ended_long_ago_is_none() -> None:
    assert history(list(range(100))).growth(1000 * DAY) is None


def test_stretches_stay_few_and_keep_the_extremes() -> None:
    made = history([5, 900, 3, *range(4, 1000)], step_ns=STRETCH_NS_FIRST)
    assert STRETCHES_MAX // 2 <= len(made.least) <= STRETCHES_MAX
    assert (made.most[0], made.least[0]) == (900, 0)
    assert made.most[-1] == 999


@pytest.mark.parametrize("seed", range(20))
def test_appends_noted_together_come_out_as_one_by_one(seed: int) -> None:
    chance = Random(seed)
    together, apart = RoomHistory(), RoomHistory()
    at_ns = live_bytes = 0
    for _ in range(30):
        if chance.random() < 0.3:
            live_bytes //= 2
            together.note(at_ns, live_bytes)
            apart.note(at_ns, live_bytes)
        times, levels = [], []
        for _ in range(chance.randrange(1, 40)):
            at_ns += chance.choice([1, STRETCH_NS_FIRST // 3, 5 * STRETCH_NS_FIRST])
            live_bytes += chance.randrange(50)
            times.append(at_ns)
            levels.append(live_bytes)
            apart.note(at_ns, live_bytes)
        together.note_growth(times.__getitem__, levels)  # type: ignore[arg-type]
    assert (together.least, together.most, together.stretch_ns) == (apart.least, apart.most, apart.stretch_ns)
