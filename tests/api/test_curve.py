"""The picture of a result's curve: drawn where there is one, and nothing that could be taken for markup."""

import pytest

from api.curve import curve_svg


def test_a_curve_is_drawn_with_its_ends() -> None:
    """Points from left to right, the largest at the top, both axes' ends in figures."""
    svg = curve_svg([(0.1, 48.0), (0.5, 244.0), (1.0, 489.0)], "injector a")
    assert 'points="34.0,106.0' in svg and "286.0,34.0" in svg
    assert all(f">{end}<" in svg for end in ("0.1", "1", "48", "489")) and 'aria-label="injector a"' in svg


@pytest.mark.parametrize("points", [[], [(1.0, 2.0)], [(1.0, 2.0), (1.0, 3.0)], [(1.0, 2.0), (4.0, 2.0)]])
def test_what_makes_no_line_is_left_out(points: list[tuple[float, float]]) -> None:
    """One point, or points that do not differ."""
    assert curve_svg(points, "x") == ""


def test_a_name_is_no_markup() -> None:
    """Guards the page: what somebody entered is text."""
    assert "<script>" not in curve_svg([(0.0, 0.0), (1.0, 1.0)], "<script>alert(1)</script>")
