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


@pytest.mark.parametrize("days", [56, 365])
def test_slow_growth_beside_a_file_that_is_written_anew_each_week(days: int) -> None:
    """The file swings by more than what comes meanwhile."""
    swing = [1000 * (day % 7) for day in range(days)]
    assert history(swing).growth(days * DAY, 7 * DAY) is None
    more_bytes, in_ns = history([level + 90 * day for day, level in enumerate(swing)]).growth(days * DAY, 7 * DAY) or (
        0, 1,
    )  # fmt: skip
    assert more_bytes * DAY / in_ns == pytest.approx(90, rel=0.15)


def test_growth_in_steps_of_a_cluster_each_day() -> None:
    stairs = history([4096 * (hour // 24) for hour in range(120)], step_ns=DAY // 24)
    more_bytes, in_ns = stairs.growth(5 * DAY) or (0, 1)
    assert more_bytes * DAY / in_ns == pytest.approx(4096, rel=0.25)


def test_a_part_of_a_period_tells_nothing() -> None:
    """A file that is written anew each 50 days has grown for 40 days."""
    assert history(list(range(40))).growth(40 * DAY, 50 * DAY) is None


@pytest.mark.parametrize(("kept", "mistaken_max"), [(1, 0), (7, 0), (30, 1), (60, 4)])
def test_levels_that_vary_by_chance_hardly_ever_seem_to_grow(kept: int, mistaken_max: int) -> None:
    """Files of a day, of which the newest are kept: the more, the longer it takes until nothing is left of a level."""
    chance, mistaken = Random(1), 0
    for _ in range(200):
        sizes = [chance.randrange(100, 20_000) for _ in range(240 + kept)]
        levels = [sum(sizes[day : day + kept]) for day in range(240)]
        mistaken += history(levels).growth(240 * DAY, DAY) is not None
    assert mistaken <= mistaken_max


def test_the_most_of_the_last_quarter() -> None:
    made = history([900, *[day % 30 for day in range(300)]])
    assert made.newest_most() == 29
    assert RoomHistory().newest_most() == 0


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
        together.note_growth(times.__getitem__, [level + 7 for level in levels], 7)  # type: ignore[arg-type]
    assert (together.least, together.most, together.stretch_ns) == (apart.least, apart.most, apart.stretch_ns)
