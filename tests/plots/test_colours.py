"""Colours: text that can be read, lines that can be seen, on both themes' grounds."""

from dataclasses import fields
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hotbench.plots.style import READABLE, Colours, Theme, colours, contrast, luminance, readable

VISIBLE = 3.0
"""Least contrast of graphics to their ground, Web Content Accessibility Guidelines 2.2, 1.4.11."""
QUIET = ("ground", "grid")
HEX = st.from_regex(r"#[0-9a-f]{6}", fullmatch=True)
ROLES = [field.name for field in fields(Colours) if field.name not in QUIET]
THEMES = [colours(theme) for theme in get_args(Theme)]


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [("#000000", "#ffffff", 21.0), ("#777777", "#ffffff", 4.48), ("#767676", "#ffffff", 4.54)],
)
def test_contrast_is_that_of_the_guidelines(one: str, other: str, ratio: float) -> None:
    # Black on white by definition; the two greys are the usual example on either side of 4.5,
    # from memory of the guidelines' techniques.
    assert contrast(one, other) == pytest.approx(ratio, abs=0.005)


@given(HEX, HEX)
def test_contrast_knows_no_order_and_stays_in_its_range(one: str, other: str) -> None:
    assert contrast(one, other) == contrast(other, one)
    assert 1.0 <= contrast(one, other) <= 21.0 + 1e-9
    assert 0.0 <= luminance(one) <= 1.0 + 1e-9


@pytest.mark.parametrize("c", THEMES)
@pytest.mark.parametrize("role", ROLES)
def test_lines_are_seen_and_their_names_are_read(c: Colours, role: str) -> None:
    colour = getattr(c, role)
    assert contrast(colour, c.ground) >= VISIBLE
    assert contrast(readable(colour, c.ground), c.ground) >= READABLE


@pytest.mark.parametrize("c", THEMES)
@pytest.mark.parametrize("role", ["ink", "good", "limit", "measured"])
def test_colours_that_write_text_as_they_are_can_be_read(c: Colours, role: str) -> None:
    assert contrast(getattr(c, role), c.ground) >= READABLE


@given(HEX)
def test_what_is_readable_already_is_left_alone_and_anything_becomes_readable(colour: str) -> None:
    for c in THEMES:
        shade = readable(colour, c.ground)
        assert contrast(shade, c.ground) >= READABLE
        if contrast(colour, c.ground) >= READABLE:
            assert shade == colour
