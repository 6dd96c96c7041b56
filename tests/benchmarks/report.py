"""Tables of the accuracy benchmark. Every photo counts: what was refused or not given stands beside the measured."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from tests.benchmarks.baselines import angle_error
from tests.benchmarks.bound import Bound

REASONS: dict[str, tuple[str, ...]] = {
    "no_bar": ("bar-not-found",),
    "cut_off": ("bar-covered", "bar-cut", "bar-not-found"),
    "covered": ("bar-covered", "bar-not-found"),
    "propped": ("bar-not-flat",),
    "raised": ("bar-not-flat", "bar-wrong-size"),
    "in_hand": ("bar-not-flat",),
    "bent": ("bar-not-flat",),
    "wrong_size": ("bar-wrong-size", "bar-not-flat"),
    "photo_of_photo": ("camera-disagrees", "photo-of"),
    "blurred": ("blur",),
    "overexposed": ("overexposed",),
    "underexposed": ("underexposed",),
    "black": ("underexposed",),
    "too_far": ("resolution-too-low", "bar-not-found"),
    "no_layout_line": ("layout-line-not-found", "wrong-kind"),
    "no_lane_marking": ("lane-line-not-found",),
    "no_slot": ("slot-not-found", "wrong-kind"),
    "ambiguous": ("ambiguous",),
    "wrong_kind": ("wrong-kind", "slot-not-found", "sensor-not-found", "layout-line-not-found"),
    "no_sensor": ("sensor-not-found", "wrong-kind"),
}
"""By case of the truth file, parts of the problem codes whose advice is right for the crew: our judgement.
Of two bars that disagree, one too near and one too large look alike: either reason is taken for both."""


@dataclass(frozen=True)
class Value:
    """A measured value with its expanded uncertainty."""

    value: float
    expanded_uncertainty: float


@dataclass(frozen=True)
class PhotoReport:
    """Everything that was got from one photo; dictionaries go by row of the report."""

    photo: str
    kind: str
    difficulty: str
    care: str
    why: str
    case: str
    usable: bool
    problems: tuple[str, ...]
    seconds: float
    truths: dict[str, float] = field(default_factory=dict)
    ours: dict[str, Value] = field(default_factory=dict)
    recipe: dict[str, float] = field(default_factory=dict)
    person: dict[str, float] = field(default_factory=dict)
    bound: dict[str, Bound] = field(default_factory=dict)
    crash: str = ""
    """Standard error's end, where the command printed no result."""


def error_of(row: str, value: float, truth: float) -> float:
    """Measured less true value; of angles between lines, in [-90, 90)."""
    return angle_error(value, truth) if "angle" in row else value - truth


def rms(errors: Iterable[float]) -> float:
    """Root of the mean square; NaN of nothing."""
    squares = [e * e for e in errors]
    return (sum(squares) / len(squares)) ** 0.5 if squares else float("nan")


def rows_of(reports: Sequence[PhotoReport]) -> list[str]:
    """Rows in the order they come up."""
    return list(dict.fromkeys(row for r in reports for row in r.truths))


def everything(reports: Sequence[PhotoReport]) -> str:
    """All tables."""
    good = [r for r in reports if r.kind != "refuse"]
    parts = [accuracy_table(good), comparison_table(good), usability_table(good)]
    if any(r.kind == "refuse" for r in reports):
        parts.append(refusal_table([r for r in reports if r.kind == "refuse"]))
    parts.append(oddities(good))
    parts += [f"NO RESULT {r.photo}: {r.crash}" for r in reports if r.crash]
    return "\n\n".join(p for p in parts if p)


HEAD = (f"{'quantity':25} {'care':14} {'photos':>6} {'none':>5} {'bias':>8} {'RMS':>8} {'largest':>8} {'med U':>8} "
        f"{'within U':>8} {'worst e/U':>9} {'>2U':>4}")  # fmt: skip


def accuracy_table(reports: Sequence[PhotoReport]) -> str:
    """Quantity by quantity, ordinary care and hard conditions apart."""
    lines = ["Measured against truth (mm, deg). 'none': the photo has this truth and the value was not given.", HEAD]
    for row in rows_of(reports):
        for care in ("ordinary care", "hard"):
            with_truth = [r for r in reports if row in r.truths and r.care == care]
            if with_truth:
                lines.append(_accuracy_line(row, care, with_truth))
    return "\n".join(lines)


def _accuracy_line(row: str, care: str, reports: Sequence[PhotoReport]) -> str:
    given = [r for r in reports if row in r.ours]
    start = f"{row:25} {care:14} {len(reports):6d} {len(reports) - len(given):5d}"
    if not given:
        return start
    errors = [error_of(row, r.ours[row].value, r.truths[row]) for r in given]
    expanded = [r.ours[row].expanded_uncertainty for r in given]
    ratios = [abs(e) / u if u > 0 else float("inf") for e, u in zip(errors, expanded, strict=True)]
    worst = max(range(len(ratios)), key=ratios.__getitem__)
    held = sum(q <= 1 for q in ratios) / len(ratios)
    return (
        f"{start} {statistics.fmean(errors):8.3f} {rms(errors):8.3f} {max(map(abs, errors)):8.3f} "
        f"{statistics.median(expanded):8.3f} {100 * held:7.0f}% {ratios[worst]:9.2f} {sum(q > 2 for q in ratios):4d}"
        f"  {given[worst].photo}"
    )


def comparison_table(reports: Sequence[PhotoReport]) -> str:
    """Ours, the recipe and the person on the same photos, and ours over the bound."""
    lines = [
        "The same photos by a general-purpose recipe and by a careful person (RMS error; photos that gave a value).",
        "Ours over bound: RMS error over the RMS of the least standard deviation, camera noise alone / ground's too.",
        f"{'quantity':18} {'care':14} {'photos':>6} {'ours':>12} {'recipe':>13} {'its median':>10} {'person':>13} "
        f"{'bound':>6} {'over bound':>13}",
    ]
    compared = {row for r in reports for row in (*r.recipe, *r.person)}
    for row in (r for r in rows_of(reports) if r in compared):
        for care in ("ordinary care", "hard"):
            of_care = [r for r in reports if row in r.truths and r.care == care]
            if of_care:
                lines.append(_comparison_line(row, care, of_care))
    return "\n".join(lines) if compared else ""


def _comparison_line(row: str, care: str, reports: Sequence[PhotoReport]) -> str:
    ours = {r.photo: error_of(row, r.ours[row].value, r.truths[row]) for r in reports if row in r.ours}
    recipe = [error_of(row, r.recipe[row], r.truths[row]) for r in reports if row in r.recipe]
    person = [error_of(row, r.person[row], r.truths[row]) for r in reports if row in r.person]
    bounded = [r for r in reports if row in r.bound and r.photo in ours]
    typical = statistics.median(map(abs, recipe)) if recipe else float("nan")
    least = rms(r.bound[row].pixels for r in bounded)
    with_ground = rms(r.bound[row].ground for r in bounded)
    achieved = rms(ours[r.photo] for r in bounded)
    return (
        f"{row:18} {care:14} {len(reports):6d} {_with_count(ours.values())} {_with_count(recipe):>13} {typical:10.3f} "
        f"{_with_count(person):>13} {least:6.3f} {achieved / least:6.1f} {achieved / with_ground:6.1f}"
    )


def _with_count(errors: Iterable[float]) -> str:
    listed = list(errors)
    return f"{rms(listed):7.3f}{f'({len(listed)})':>5}"


def usability_table(reports: Sequence[PhotoReport]) -> str:
    """Photos that carry a measurement: how many were measured, and each one that was not."""
    lines = ["Photos that carry a measurement:"]
    for care in dict.fromkeys(r.care for r in reports):
        of_care = [r for r in reports if r.care == care]
        measured = sum(r.usable for r in of_care)
        lines.append(f"  {care:14} measured {measured} of {len(of_care)} ({100 * measured / len(of_care):.0f} %)")
        for kind in dict.fromkeys(r.kind for r in of_care):
            of_kind = [r for r in of_care if r.kind == kind]
            lines.append(f"    {kind:12} measured {sum(r.usable for r in of_kind)} of {len(of_kind)}")
    lines += [f"  refused {r.photo} ({r.difficulty}): {', '.join(r.problems)}" for r in reports if not r.usable]
    return "\n".join(lines)


def refusal_table(reports: Sequence[PhotoReport]) -> str:
    """Photos that must be refused: each with the reason it has and the one that was given."""
    refused = sum(not r.usable for r in reports)
    known = [r for r in reports if r.case in REASONS]
    right = sum(right_reason(r) for r in known)
    lines = [
        f"Photos that must be refused: refused {refused} of {len(reports)}; with a right reason {right} of the "
        f"{len(known)} whose case is known"
    ]
    lines += [_refusal_line(r) for r in sorted(reports, key=lambda r: (not r.usable, right_reason(r), r.why))]
    return "\n".join(lines)


def right_reason(report: PhotoReport) -> bool:
    """Refused, and told something that helps."""
    parts = REASONS.get(report.case, ())
    return not report.usable and any(part in code for code in report.problems for part in parts)


def _refusal_line(report: PhotoReport) -> str:
    given = ", ".join(f"{row} {v.value:.2f} ± {v.expanded_uncertainty:.2f}" for row, v in report.ours.items())
    told = ", ".join(report.problems)
    refused = told if right_reason(report) else f"other reason: {told}"
    outcome = f"NOT REFUSED: {given}" if report.usable else refused
    return f"  {report.photo:16} {report.case:15} {report.why[:62]:62} -> {outcome}"


def oddities(reports: Sequence[PhotoReport]) -> str:
    """Results further off than their U, the worst first."""
    found = [
        (abs(error_of(row, v.value, r.truths[row])) / v.expanded_uncertainty, r, row, v)
        for r in reports for row, v in r.ours.items() if row in r.truths and v.expanded_uncertainty > 0
    ]  # fmt: skip
    lines = [
        f"  {ratio:5.2f} U  {r.photo} ({r.difficulty}) {row}: {v.value:.3f} ± {v.expanded_uncertainty:.3f}, "
        f"true {r.truths[row]:.3f}"
        for ratio, r, row, v in sorted(found, key=lambda f: -f[0]) if ratio > 1.2
    ]  # fmt: skip
    return "\n".join(["Further off than 1.2 U:", *lines]) if lines else ""
