"""Drawn scenes and a small rendering: the picture shows what the truth says.  Needs numba; compiling takes most of the
time.
"""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("numba")

from demo_photos import render
from demo_photos.scene import check, kinds, trace

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def slot() -> kinds.Scene:
    scene: kinds.Scene = render.draw("slot", 77, 2)
    return scene


def test_the_same_numbers_draw_the_same_scene(slot: kinds.Scene) -> None:
    again = render.draw("slot", 77, 2)
    assert again.truth == slot.truth
    assert (again.world.camera.rot == slot.world.camera.rot).all()
    assert render.draw("slot", 77, 3).truth != slot.truth


@pytest.mark.parametrize("kind", ["layout", "slot", "cut", "surface"])
def test_scenes_hold_what_their_kind_promises(kind: str) -> None:
    scene = render.draw(kind, 5, 0)
    promised = {"layout": "layout_angle", "slot": "slot_width", "cut": "cut_angle", "surface": "ridge_width"}[kind]
    assert np.isfinite(scene.truth[promised])
    assert scene.difficulty in ("easy", "ordinary", "hard")
    assert all(kinds.tag_px(b, scene.world.camera) >= 24 for b in scene.bars)
    if "measured_s" in scene.truth:
        low, high = scene.truth["measured_s"]
        assert scene.truth["visible_s"][0] <= low < high <= scene.truth["visible_s"][1]


def test_refusals_take_turns_and_give_reasons() -> None:
    drawn = [render.draw("refuse", 5, i) for i in range(3)]
    assert len({s.case for s in drawn}) == 3
    assert all(s.why and s.ask_kind for s in drawn)


def test_edges_and_corners_lie_where_the_truth_projects(slot: kinds.Scene) -> None:
    for off in check.edge_offsets(slot):
        assert off.count >= 10
        assert max(abs(off.mean[0]), abs(off.mean[1])) < 0.05, off


def test_rays_and_projection_are_inverse(slot: kinds.Scene) -> None:
    cam = slot.world.camera._replace(sway_x=0.0, sway_y=0.0)
    for px in ((0.0, 0.0), (cam.width / 2, 40.0), (cam.width - 1.0, cam.height - 1.0)):
        d = np.array(trace.ray(*px, cam))
        assert trace.project((cam.centre + 900 * d)[None], cam)[0] == pytest.approx(px, abs=1e-3)


def test_refinement_keeps_the_mean_of_its_lattice_at_the_pixel_s_middle() -> None:
    k = np.arange(16)
    du, dv = (k + 0.5) / 16 - 0.5, ((7 * k + 3) % 16 + 0.5) / 16 - 0.5
    offsets = {(round(a, 6), round(b, 6)) for a, b in zip(du, dv, strict=True)}
    assert {(-a, -b) for a, b in offsets} == offsets


def test_stones_under_the_sensor_do_not_bend_its_edge() -> None:
    scene = next(s for s in (render.draw("surface", 77, i) for i in range(40)) if s.world.pavement.relief > 1.0)
    c = scene.world.channel
    pavement = scene.world.pavement._replace(wave=0.0, ripple=0.0, plane_a=0.0, plane_b=0.0, plane_c=0.0)
    w = scene.world._replace(pavement=pavement, channel=c._replace(recess=0.0, proud=0.0))
    low, high = scene.truth["measured_s"]
    sign = -1.0 if scene.truth["s_direction_flipped"] else 1.0
    along, across = np.array([c.cs, c.sn, 0.0]), np.array([-c.sn, c.cs, 0.0])
    offsets = []
    for s in np.linspace(low + 5, high - 5, 15) * sign:
        foot = np.array([c.ox, c.oy, 0.0]) + s * along
        edge, inner = trace.project(np.array([foot + c.half * across, foot + (c.half - 5) * across]), w.camera)
        small, (x0, y0) = check.crop(w, edge, 12)
        _, ids = trace.render(small)
        d = (edge - inner) / np.linalg.norm(edge - inner)
        t = np.arange(-8, 8.01, 0.1)
        at = np.rint(edge - [x0, y0] + t[:, None] * d).astype(int)
        on_sensor = (ids[at[:, 1], at[:, 0]] - 1000) // 200 == 1
        offsets.append(t[0] + 0.1 * on_sensor.sum())
    assert np.std(offsets) < 0.45  # pixels, read off whole pixels
    assert abs(np.mean(offsets)) < 0.3
