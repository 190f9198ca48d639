"""Colours that people with any colour vision tell apart, for every picture of ours.

SERIES are those of M. Okabe and K. Ito, Color Universal Design (2008), https://jfly.uni-koeln.de/color/. STEPS are six
even steps of cividis, from J. R. Nunez, C. R. Anderton and R. S. Renslow, PLoS ONE 13(7): e0199239 (2018), from light
to dark: their lightness alone tells them apart. Colour is never all there is: a digit, a dash or a hatching stands with
it.
"""

from __future__ import annotations

BLUE, ORANGE, GREEN, SKY, RED, PINK, YELLOW = (
    "#0072B2", "#E69F00", "#009E73", "#56B4E9", "#D55E00", "#CC79A7", "#F0E442",
)  # fmt: skip
SERIES = (BLUE, ORANGE, GREEN, SKY, RED, PINK, YELLOW)
HATCHINGS = ("", "/", "\\", "x", "-", "|", "+", ".")
"""One for each of SERIES, and one more, as Plotly calls them."""

STEPS = ("#FFEA46", "#CBBA69", "#958F78", "#666970", "#31446B", "#00204D")
INKS = ("#111111", "#111111", "#111111", "#ffffff", "#ffffff", "#ffffff")
"""Of a digit on each of STEPS."""


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2 has it, from 0 to 1."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """The contrast of two colours as WCAG 2 has it, from 1 to 21."""
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)
