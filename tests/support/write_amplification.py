"""Published models of cleaning in a log of N blocks of P pages, U pages of which are live: alpha = U / (N P).

Write amplification WA = (host + relocated) / host pages; X is the live share of a cleaned block, so WA = 1 / (1 - X).
"Derived" says that no publication prints the equation in this form; test_cleaning_theory.py holds every
function here to values that were got apart from it.
"""

from __future__ import annotations

from math import exp, floor, log, log1p


def oldest_first(alpha: float) -> float:
    """N -> infinity: X = exp(-(1 - X) / alpha). Desnoyers, SYSTOR 2012, eq. 4; Menon, 1995."""
    live = 0.0
    for _ in range(100_000):
        live, before = exp(-(1 - live) / alpha), live
        if live - before < 1e-13:
            break
    return 1 / (1 - live)


def oldest_first_finite(blocks: int, block_pages: int, live_pages: int) -> float:
    """Finite N. Derived: a page in the block about to be cleaned has outlived a round of N P (1 - X) host writes, and
    those that came to the new block after it."""
    dies = log1p(-1 / live_pages)
    live = 0.0
    for _ in range(100_000):
        survives = exp(dies * blocks * block_pages * (1 - live))
        filling = -(1 - live) * block_pages * dies
        live, before = survives * (live + (1 - live) * (exp(filling) - 1) / filling), live
        if live - before < 1e-13:
            break
    return 1 / (1 - live)


def _harmonic(x: float) -> float:
    """H(x), linear between whole numbers."""
    whole = floor(x)
    return sum(1 / i for i in range(1, whole + 1)) + (x - whole) / (whole + 1)


def greedy(alpha: float, block_pages: int) -> float:
    """N -> infinity: P - x = alpha P (H(P) - H(x)), x the live pages of a victim. Derived; victims hold one of two
    successive numbers of live pages: Bux & Iliadis, Performance Evaluation 67, 2010."""
    low, high = 0.0, block_pages * (1 - 1e-9)
    full = _harmonic(block_pages)
    for _ in range(60):
        x = (low + high) / 2
        if block_pages - x < alpha * block_pages * (full - _harmonic(x)):
            low = x
        else:
            high = x
    return block_pages / (block_pages - low)


def greedy_smooth(alpha: float, block_pages: int) -> float:
    """Desnoyers, SYSTOR 2012, eq. 12: an approximation by the oldest-first limit."""
    k = 1 + 1 / (2 * block_pages)
    return oldest_first(alpha / k) / k


def random_victim(alpha: float) -> float:
    """Every block, the one just filled too, is as likely: a victim holds what a block holds on average."""
    return 1 / (1 - alpha)


def random_closed_victim(blocks: int, block_pages: int, live_pages: int) -> float:
    """The same where the block just filled is left out, as the store does: what is live in it is spread over no
    other."""
    x = 0.0
    for _ in range(1000):
        survives = (1 - 1 / live_pages) ** (block_pages - x)
        just_filled = x * survives + live_pages * (1 - survives)
        x = (live_pages - just_filled) / (blocks - 1)
    return block_pages / (block_pages - x)


def best_of(choices: int, alpha: float, block_pages: int) -> float:
    """The victim with the fewest live pages of `choices` random ones. The class of Van Houdt, SIGMETRICS 2013;
    derived: S_i, the share of blocks with at least i live pages, solves K i (S_i - S_(i+1)) = 1 - S_i^d, where K
    makes the sum of all S_i alpha P."""

    def shares(k: float) -> list[float]:
        found, following = [], 0.0
        for i in range(block_pages, 0, -1):
            low, high = following, 1.0
            for _ in range(50):
                share = (low + high) / 2
                if k * i * (share - following) < 1 - share**choices:
                    low = share
                else:
                    high = share
            following = low
            found.append(low)
        return found

    low, high = 1e-6, 1e3
    for _ in range(60):
        k = (low * high) ** 0.5
        if sum(shares(k)) > alpha * block_pages:
            low = k
        else:
            high = k
    return block_pages / (block_pages - sum(share**choices for share in shares(low)))


def oldest_first_hot_cold(alpha: float, hot_share: float, hot_writes: float) -> float:
    """Oldest first, mixed: `hot_share` of the pages get `hot_writes` of the writes. Desnoyers, SYSTOR 2012, eq. 14."""
    groups = ((hot_share, hot_writes), (1 - hot_share, 1 - hot_writes))
    low, high = 1.0, 1e4
    for _ in range(100):
        a = (low + high) / 2
        if sum(writes / (1 - exp(-writes / (share * alpha * a))) for share, writes in groups) > a:
            low = a
        else:
            high = a
    return low


def oldest_first_part_static(alpha: float, active_share: float) -> float:
    """Oldest first when only `active_share` f of the pages are ever written again: A = 1 / (1 - exp(-1 / (f alpha
    A))) + (1 - f) alpha A. Derived; the limit of Desnoyers, SYSTOR 2012, eq. 14, for r -> 1."""
    low, high = 1.0, 1e4
    for _ in range(100):
        a = (low + high) / 2
        if 1 / (1 - exp(-1 / (active_share * alpha * a))) + (1 - active_share) * alpha * a > a:
            low = a
        else:
            high = a
    return low


def alpha_of(write_amplification: float) -> float:
    """The inverse of `oldest_first`: alpha = (1 - X) / -ln X."""
    live = 1 - 1 / write_amplification
    return (1 - live) / -log(live)
