"""What counts as seen of an edge: stretches with enough stations, and nothing beyond the last one."""

import numpy as np

from verifier.slot import MOST_GAP_MM, _in_gap
from verifier.slot_edges import _without_sparse


def test_single_stations_in_a_stretch_that_is_not_seen_are_dropped() -> None:
    edge = np.zeros(400)
    edge[100:300] = np.nan
    edge[150:155] = -4.0
    edge[210] = 2.0
    kept = _without_sparse(edge, step=1.0)
    assert not np.isfinite(kept[120:280]).any()
    assert np.isfinite(kept[:90]).all()
    assert np.isfinite(kept[310:]).all()


def test_a_stretch_seen_well_enough_is_kept() -> None:
    edge = np.zeros(300)
    edge[1::3] = np.nan
    assert np.isfinite(_without_sparse(edge, step=1.0)).sum() == np.isfinite(edge).sum()


def test_a_gap_is_longer_than_what_is_bridged_or_goes_on_to_the_end() -> None:
    s = np.arange(0.0, 400.0, 1.0)
    edge = np.zeros(len(s))
    edge[50 : 50 + int(MOST_GAP_MM) - 2] = np.nan
    edge[200 : 200 + int(MOST_GAP_MM) + 20] = np.nan
    edge[390:] = np.nan
    gap = _in_gap(edge, s)
    assert not gap[:200].any()
    assert gap[200 : 200 + int(MOST_GAP_MM) + 20].all()
    assert gap[391:].all()
    assert not gap[300:390].any()


def test_an_edge_that_was_never_seen_is_one_gap() -> None:
    assert _in_gap(np.full(10, np.nan), np.arange(10.0)).all()
