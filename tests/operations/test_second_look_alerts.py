"""A total that jumps beyond what the sites' change and the error allow is marked after publishing, and only then."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from snowtally.publishing.second_look import Compared, jump

BEFORE = pd.Timestamp("2031-03-04")


def entry(mean, se=10.0, sites=(100.0, 200.0, 300.0)):
    total = pd.Series({"date": BEFORE, "swe_mean_mm": mean, "swe_se_mm": se})
    names = [f"S{n}" for n in range(len(sites))]
    return Compared(total, pd.DataFrame({"site_id": names, "swe_mm": sites, "used": True}))


def test_a_change_within_the_error_is_weather():
    assert jump(entry(200.0), entry(219.0), 2.0) is None


def test_a_change_beyond_it_is_told_with_its_figures():
    said = jump(entry(200.0), entry(221.0), 2.0)
    assert said.startswith(
        "jump of the total: the basin's mean SWE went from 200 to 221 mm (+21) since 2031-03-04, 3 sites by +0 mm"
    )


def test_what_the_sites_gained_is_no_jump():
    after = entry(240.0, sites=(140.0, 240.0, 340.0))
    assert jump(entry(200.0), after, 2.0) is None
    assert jump(entry(200.0), entry(200.0, sites=(140.0, 240.0, 340.0)), 2.0) is not None


def test_sites_set_aside_say_nothing():
    aside = entry(200.0, sites=(140.0, 240.0, 340.0))
    aside.sites["used"] = False
    assert jump(entry(200.0), aside, 2.0) is None


def test_sites_that_disagree_allow_more():
    disagreeing = (100.0, 240.0, 260.0)
    assert jump(entry(200.0), entry(221.0, sites=disagreeing), 2.0) is None


def test_a_total_without_value_is_not_judged():
    assert jump(entry(200.0), entry(float("nan")), 2.0) is None


@given(change=st.floats(-300, 300), moved=st.floats(-100, 100), most=st.floats(0.5, 5))
def test_the_sign_does_not_matter(change, moved, most):
    sites = entry(400.0, sites=(401.0, 402.0, 403.0))
    up = jump(sites, entry(400.0 + change, sites=tuple(400 + moved + s for s in (1, 2, 3))), most)
    down = jump(sites, entry(400.0 - change, sites=tuple(400 - moved + s for s in (1, 2, 3))), most)
    assert (up is None) == (down is None) or abs(abs(change - moved) - 10 * most) == pytest.approx(0, abs=1e-6)
