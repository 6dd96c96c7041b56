"""The pipeline: each step's problem ends it with that problem, a fault of the program never becomes a number."""

from __future__ import annotations

import json
import logging
import math
from collections.abc import Callable

import numpy as np
import pytest

from models.camera import CameraCalibration
from models.measurement import BudgetLine, Estimate, Limits, PhotoKind, Problem, Quantity, Verdict
from models.tolerance import Tolerance
from tests.verifier.photo_files import exif_block, saved, textured
from verifier import measure as pipeline
from verifier.adjustment import Adjustment
from verifier.bars import BarSightings
from verifier.capture import CaptureFacts
from verifier.finding import Finding
from verifier.marks import Mark, MarkedFeature, Marks
from verifier.measure import examine, measure, stored_prior
from verifier.plane import N_PARAMETERS, CovarianceSource, GroundPlane
from verifier.settings import Settings
from verifier.surface import SlotGap

DATA = saved(textured(), exif=exif_block())
TOLERANCE = Tolerance(Quantity.SLOT_WIDTH, Limits(75.0, 79.0), "3.2")


def estimate(value: float = 77.0, u: float = 0.1) -> Estimate:
    return Estimate(Quantity.SLOT_WIDTH, value, (BudgetLine("edges", u),))


def adjustment() -> Adjustment:
    parameters = np.zeros(N_PARAMETERS)
    parameters[0], parameters[5], parameters[10] = math.log(1000.0), math.pi, 1000.0
    source = CovarianceSource("corner detection", np.eye(N_PARAMETERS) * 1e-9)
    plane = GroundPlane(parameters, (source,), (1200, 900))
    return Adjustment(plane=plane, bars=(), corner_sigma_px=0.05, redundancy=100, camera_misfit=1.0)


@pytest.fixture
def staged(monkeypatch: pytest.MonkeyPatch) -> Callable[[object], None]:
    """Replaces what comes before the finder, and the finder by one that gives, or raises, what the test says."""
    monkeypatch.setattr(pipeline, "find_bars", lambda photo: BarSightings(()))
    monkeypatch.setattr(pipeline, "adjust", lambda *_: adjustment())

    def finder_gives(outcome: object) -> None:
        def finder(*_: object) -> object:
            if isinstance(outcome, Exception):
                raise outcome
            return outcome

        for name in ("measure_layout", "measure_slot", "measure_surface"):
            monkeypatch.setattr(pipeline, name, finder)

    return finder_gives


def test_estimates_become_measurements_with_verdicts(staged: Callable[[object], None]) -> None:
    length = Estimate(Quantity.MEASURED_LENGTH, 900.0, (BudgetLine("bars", 1.0),))
    staged(Finding((estimate(), length)))
    result = measure(DATA, "a.jpg", PhotoKind.SLOT, Settings(tolerances=(TOLERANCE,)))
    assert result.usable
    assert result.problems == ()
    width, other = result.measurements
    assert width.judgement is not None
    assert width.judgement.verdict is Verdict.CONFORMING
    assert width.judgement.clause == "3.2"
    assert other.judgement is None


def test_the_details_can_be_written_as_json(staged: Callable[[object], None]) -> None:
    staged(Finding((estimate(),)))
    marks = Marks((Mark(MarkedFeature.SLOT, np.zeros((2, 2))),))
    details = json.loads(json.dumps(measure(DATA, "a.jpg", PhotoKind.SLOT, Settings(marks=marks)).details))
    assert details["marks"] == ["slot"]
    assert details["capture"]["make"] == "Testcam"
    assert set(details["software"]) == {"kerfline", "opencv", "numpy"}


def test_each_problem_of_a_finder_stands_in_the_result(staged: Callable[[object], None]) -> None:
    staged(Finding((estimate(),), (Problem("chips-unclear", "Sweep the edge."),)))
    assert [p.code for p in measure(DATA, "a", PhotoKind.SLOT).problems] == ["chips-unclear"]
    staged(Finding((), (Problem("slot-not-found", "Show the slot."),)))
    result = measure(DATA, "a", PhotoKind.SLOT)
    assert (result.usable, [p.code for p in result.problems]) == (False, ["slot-not-found"])


@pytest.mark.parametrize("kind", [PhotoKind.SLOT, PhotoKind.SURFACE])
def test_a_layout_photo_submitted_as_another_kind_is_told(
    kind: PhotoKind, staged: Callable[[object], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    staged(Finding((), (Problem("slot-not-found", "Show the slot."),)))
    angle = Estimate(Quantity.LAYOUT_ANGLE, 90.3, (BudgetLine("edges", 0.05),))
    monkeypatch.setattr(pipeline, "measure_layout", lambda *_: Finding((angle,)))
    (problem,) = measure(DATA, "a", kind).problems
    assert problem.code == "wrong-kind-of-photo"
    assert f"take a {kind.value} photo" in problem.message


def test_a_finder_that_gives_nothing_at_all_is_unusable_with_a_reason(staged: Callable[[object], None]) -> None:
    staged(Finding(()))
    result = measure(DATA, "a", PhotoKind.SLOT)
    assert not result.usable
    assert result.problems


@pytest.mark.parametrize(
    "outcome",
    [
        ValueError("sum of nothing"),
        ZeroDivisionError(),
        Finding((estimate(math.nan),)),
        Finding((estimate(u=math.nan),)),
        Finding((estimate(u=0.0),)),
        Finding((estimate(), estimate(math.inf))),
    ],
    ids=lambda o: type(o).__name__,
)
@pytest.mark.parametrize("kind", PhotoKind)
def test_a_fault_of_the_program_is_told_and_logged_and_never_a_number(
    staged: Callable[[object], None], caplog: pytest.LogCaptureFixture, outcome: object, kind: PhotoKind
) -> None:
    staged(outcome)
    with caplog.at_level(logging.ERROR, "kerfline"):
        result = measure(DATA, "a.jpg", kind)
    assert not result.usable
    assert result.measurements == ()
    assert [p.code for p in result.problems] == ["internal-error"]
    assert "a.jpg: internal error" in caplog.text
    assert "Traceback" not in caplog.text


def test_too_little_memory_is_not_called_a_fault(staged: Callable[[object], None]) -> None:
    staged(MemoryError())
    assert measure(DATA, "a.jpg", PhotoKind.SLOT).problems[0].code == "out-of-memory"


def test_a_problem_of_an_early_step_ends_the_examination_there(monkeypatch: pytest.MonkeyPatch) -> None:
    no_bar = Problem("bar-not-found", "Lay a bar beside the slot.")
    monkeypatch.setattr(pipeline, "find_bars", lambda photo: no_bar)
    examination = examine(DATA, "a.jpg", PhotoKind.SLOT)
    assert examination.result.problems == (no_bar,)
    assert examination.photo is not None
    assert (examination.sightings, examination.adjustment, examination.finding) == (None, None, None)


def test_what_is_no_photo_keeps_its_hash() -> None:
    """FIPS 180-2, B.1: the message "abc"."""
    result = measure(b"abc", "a.jpg", PhotoKind.SLOT)
    assert not result.usable
    assert result.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_an_uncertainty_wider_than_the_tolerance_is_told(staged: Callable[[object], None]) -> None:
    """Limits 4 mm apart, U = 2.4 mm: no value could be proven to conform."""
    staged(Finding((estimate(77.0, 1.2),)))
    result = measure(DATA, "a.jpg", PhotoKind.SLOT, Settings(tolerances=(TOLERANCE,)))
    assert [p.code for p in result.problems] == ["resolution-too-low"]
    assert result.measurements[0].judgement is not None
    assert result.measurements[0].judgement.verdict is Verdict.INCONCLUSIVE


class TestStoredPrior:
    """A stored calibration counts for the pictures it was made for and for no others."""

    flat = tuple(tuple(1e-6 if i == j else 0.0 for j in range(5)) for i in range(5))
    camera = CameraCalibration("Testcam", "R-1", None, 4032, 3024, 2700.0, (2000.0, 1500.0), -0.01, 0.0, flat, 8)
    facts = CaptureFacts(make="Testcam", model="R-1")

    def test_of_the_same_camera(self) -> None:
        prior = stored_prior((self.camera,), self.facts, (4032, 3024))
        assert prior is not None
        assert prior.mean[0] == pytest.approx(math.log(2700.0))
        assert prior.covariance.shape == (5, 5)
        assert "Testcam R-1" in prior.source

    @pytest.mark.parametrize(
        ("facts", "size"),
        [
            (CaptureFacts(make="Testcam", model="R-2"), (4032, 3024)),
            (CaptureFacts(), (4032, 3024)),
            (CaptureFacts(make="Testcam", model="R-1", digital_zoom=2.0), (4032, 3024)),
            (CaptureFacts(make="Testcam", model="R-1"), (4032, 2268)),
        ],
    )
    def test_not_of_another(self, facts: CaptureFacts, size: tuple[int, int]) -> None:
        assert stored_prior((self.camera,), facts, size) is None

    def test_zoom_of_one_is_no_zoom(self) -> None:
        facts = CaptureFacts(make="Testcam", model="R-1", digital_zoom=1.0)
        assert stored_prior((self.camera,), facts, (2016, 1512)) is not None


class TestGap:
    """The room beside the sensor comes from the measured slot of the same sensor, else from the nominal widths."""

    def gap(self, monkeypatch: pytest.MonkeyPatch, settings: Settings) -> object:
        seen: list[object] = []
        monkeypatch.setattr(pipeline, "find_bars", lambda photo: BarSightings(()))
        monkeypatch.setattr(pipeline, "adjust", lambda *_: adjustment())

        def finder(*arguments: object) -> Finding:
            seen.append(arguments[4])
            return Finding(())

        monkeypatch.setattr(pipeline, "measure_surface", finder)
        measure(DATA, "a", PhotoKind.SURFACE, settings)
        return seen[0]

    def test_measured(self, monkeypatch: pytest.MonkeyPatch) -> None:
        gap = self.gap(monkeypatch, Settings(sensor_width_mm=70, slot_width_mm=76, measured_slot=estimate(76.4, 0.2)))
        assert isinstance(gap, SlotGap)
        assert (gap.slot_width_mm, gap.u_slot_width_mm) == (76.4, 0.2)

    def test_nominal(self, monkeypatch: pytest.MonkeyPatch) -> None:
        gap = self.gap(monkeypatch, Settings(sensor_width_mm=70, slot_width_mm=76))
        assert isinstance(gap, SlotGap)
        assert (gap.slot_width_mm, gap.sensor_width_mm) == (76, 70)

    @pytest.mark.parametrize("settings", [Settings(), Settings(sensor_width_mm=70), Settings(slot_width_mm=76)])
    def test_not_known(self, monkeypatch: pytest.MonkeyPatch, settings: Settings) -> None:
        assert self.gap(monkeypatch, settings) is None
