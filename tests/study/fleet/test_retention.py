"""Arrhenius: published factors, and retention at another temperature."""

import pytest

from simfs.study.fleet.retention import acceleration, kept

# 1.1 eV is what JEDEC's papers quote for charge that leaves its traps; the factors follow from the formula with
# k = 8.617333e-5 eV/K. A vendor's note on retention prints 22.76 for 40 to 66 degrees at 1.1 eV.
FACTORS = {
    (1.1, 55, 85): 26.008,
    (1.1, 55, 125): 933.645,
    (1.1, 85, 125): 35.899,
    (1.1, 25, 55): 50.105,
    (0.6, 55, 85): 5.914,
    (0.6, 55, 125): 41.696,
    (0.6, 85, 125): 7.051,
    (0.6, 25, 55): 8.457,
    (1.1, 40, 66): 22.760,
}


@pytest.mark.parametrize(("case", "factor"), FACTORS.items())
def test_factors_are_as_published(case, factor):
    assert acceleration(*case) == pytest.approx(factor, abs=6e-4)
    energy, use, stress = case
    assert acceleration(energy, stress, use) == pytest.approx(1 / factor, rel=1e-4)


def test_a_bake_stands_for_years():
    """1000 h at 125 degrees are 106.6 years at 55 and 19.5 at 70 (a vendor's note prints about 100 and 20)."""
    hours_per_year = 8760
    assert 1000 * acceleration(1.1, 55, 125) / hours_per_year == pytest.approx(106.6, abs=0.05)
    assert 1000 * acceleration(1.1, 70, 125) / hours_per_year == pytest.approx(19.5, abs=0.05)


def test_data_is_kept_for_less_when_worn_and_for_longer_when_cool():
    """JESD47's note: at 55 degrees 10 years after a tenth of the rated cycles, 1 year after all of them."""
    little, worn = kept(100_000, 55, 1.1, 5.0)
    assert (little.cycles, little.years, little.reached_ns) == (10_000, 10, 50_000)
    assert (worn.cycles, worn.years, worn.reached_ns) == (100_000, 1, 500_000)
    assert kept(100_000, 25, 1.1, None)[1].years == pytest.approx(50.105, abs=6e-4)
    assert kept(100_000, 85, 0.6, None)[0].years == pytest.approx(10 / 5.914, abs=6e-4)
    assert kept(100_000, 85, 0.6, None)[0].reached_ns is None


@pytest.mark.parametrize(
    ("case", "said"),
    [
        ((3.5, 25, 55), "activation energy must be from 0 to 3 eV, not 3.5"),
        ((float("nan"), 25, 55), "activation energy must be"),
        ((1.1, -300, 55), "temperatures must be from -223 to 726"),
    ],
)
def test_what_makes_no_sense_is_refused(case, said):
    with pytest.raises(ValueError, match=said):
        acceleration(*case)
