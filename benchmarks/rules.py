"""How true a piece comes out by a rule, by plain paper and by known points.

The photographs are ray cast by tests/rules/bench.py, which uses nothing of the package.
Three tables: a 300 mm piece traced beside one steel rule, photographed as square-on as a
phone's own level tells, in drawn poses and lights; the cameras found in the photographs of
the tests, by the lengths between the piece's corners; and how often simulated lengths lie
inside their ±, every error drawn as it is believed to be.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "rules"))

from bench import Rule, photograph
from scenes import HALF, INCH_16, INCH_32, MM, NEAR, SCENES, THICK, length_errors_mm, phone_file
from simulated import CORNERS_MM, seen_rules

from digitize.errors import DigitizeError
from digitize.job import JobOptions
from digitize.pattern.dimensions import dimensions
from digitize.photo.photo import Photo
from digitize.reference.by_paper import camera_by_paper
from digitize.reference.by_rule import camera_by_rules
from digitize.reference.paper import paper_named
from digitize.reference.rules import STEEL_RULE, TAPE
from digitize.reference.shape import length_u_mm
from digitize.reference.sight_paper import sight_paper
from digitize.reference.sight_rules import RuleOptions, sight_rules
from digitize.reference_job import NO_PRINT, ByRules, pattern_by_reference

_DRAWS = 6
_LEVEL_DEG = 0.5  # one sigma: by the level that a phone shows, --level 1
_TRUE_MM = {"OL": 300.0, "OW": 135.0}


def main() -> None:
    one_rule()
    cameras()
    simulated()


def one_rule() -> None:
    print("A 300 x 135 mm piece traced beside one steel rule, camera held by its level (--level 1)")
    print("| rule | tilt | blur, noise | length off, mm | width off, mm | ± of both | in ± |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    off, widths, held = [], [], []
    for number in range(_DRAWS):
        shot, label = drawn(np.random.default_rng(number), inch=number % 2 == 1)
        with tempfile.TemporaryDirectory() as folder:
            path = phone_file(shot, photograph(shot), Path(folder) / "draw.jpg")
            options = JobOptions(NO_PRINT, mode="silhouette", thicknesses_mm=(THICK,))
            units = "inch" if number % 2 else "mm"
            try:
                rules = ByRules(RuleOptions(units=units))
                job = pattern_by_reference(path, rules, options, level_deg=_LEVEL_DEG)
            except DigitizeError as fault:
                print(f"| {label} | {fault} |", flush=True)
                continue
        read = str(job.patterns[0].provenance.target).removeprefix("rule, ")
        rows = {d.name: d for d in dimensions(job.patterns[0]).dimensions}
        errors = [rows[name].value - true for name, true in _TRUE_MM.items()]
        stated = [rows[name].expanded for name in _TRUE_MM]
        inside = all(abs(e) < u for e, u in zip(errors, stated, strict=True))
        off += np.abs(errors).tolist()
        held.append(inside)
        widths.append(stated[0])
        print(
            f"| {read} | {shot.tilt_deg:.1f}° | {shot.blur_px:.1f} px, {shot.noise:.3f} "
            f"| {errors[0]:+.2f} | {errors[1]:+.2f} | {stated[0]:.1f}, {stated[1]:.1f} "
            f"| {'yes' if inside else 'NO'} |",
            flush=True,
        )
    print(
        f"Worst {max(off):.2f} mm; median ± of the length {np.median(widths):.1f} mm; "
        f"{sum(held)} of {_DRAWS} photos traced and inside ±.\n"
    )


def drawn(rng, *, inch):
    """A pose and a light for the piece beside one rule, and what to call it."""
    if inch:
        scale, name = [(INCH_16, "1/16 inch"), (INCH_32, "1/32 inch")][rng.integers(2)]
    else:
        scale, name = [(MM, "1 mm"), (HALF, "0.5 mm")][rng.integers(2)]
    rule = Rule(
        scales=(replace(scale, edge="top"),),  # the graduated edge toward the piece
        at_mm=(rng.uniform(-5, 5), 25 - rng.uniform(16, 24)),
        turn_deg=rng.uniform(-1, 1),
        thick_mm=STEEL_RULE.rise_mm + rng.normal(0, STEEL_RULE.u_rise_mm),
        slope_deg=np.degrees(rng.normal(0, STEEL_RULE.u_lean)),
        face=rng.uniform(0.45, 0.7),
        worn=rng.uniform(0, 0.3),
        rust=rng.uniform(0, 0.4),
        glare=rng.uniform(0, 0.3),
        stretch=1 + rng.normal(0, STEEL_RULE.stretch_u(300)),
        mark_error_mm=STEEL_RULE.mark_u_mm,
    )
    shot = NEAR.but(
        rules=(rule,),
        tilt_deg=abs(rng.normal(0, _LEVEL_DEG)),
        toward_deg=rng.uniform(0, 360),
        roll_deg=rng.uniform(-8, 8),
        distance_mm=rng.uniform(400, 470),
        k1=rng.normal(0, 0.005),
        off_px=tuple(rng.normal(0, 15, 2)),
        bench=rng.uniform(0.28, 0.45),
        blur_px=rng.uniform(0.6, 1.2),
        noise=rng.uniform(0.003, 0.012),
        shadow=rng.uniform(0, 0.2),
        seed=int(rng.integers(1 << 30)),
    )
    return shot, name


def cameras() -> None:
    print("The camera by what lies in the photo: lengths between the piece's corners")
    print("| photo | tilt, true and found | read as | worst error, mm | ± of longest, mm | in ± |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name, shot in SCENES.items():
        if name == "no-rule" or name.startswith("job"):
            continue
        photo = Photo(name, "0" * 64, photograph(shot), 1.02 * shot.focal_px, 0.03)
        if name.startswith("paper"):
            found = camera_by_paper(photo, sight_paper(photo), paper_named("A4"))
        else:
            body = TAPE if name == "tape" else STEEL_RULE
            found = camera_by_rules(photo, sight_rules(photo, RuleOptions(body=body)))
        camera = found.solution.camera
        rows = [
            (abs(error), 2 * length_u_mm(camera, px, THICK), true)
            for error, true, px in length_errors_mm(shot, camera)
        ]
        longest = max(rows, key=lambda r: r[2])
        print(
            f"| {name} | {shot.tilt_deg:.0f}°, {camera.tilt_deg:.1f}° | {found.name} "
            f"| {max(r[0] for r in rows):.2f} | {longest[1]:.2f} of {longest[2]:.0f} "
            f"| {'yes' if all(e < u for e, u, _ in rows) else 'NO'} |",
            flush=True,
        )
    print()


def simulated() -> None:
    print("| simulated, 100 photos each | lengths inside ± | error, rms mm | ±, median mm |")
    print("| --- | --- | --- | --- |")
    kinds = {
        "one steel rule, camera held square-on": {},
        "the same, no header": {"header": False},
        "one steel rule, 25° tilt": {"tilt_deg": 25.0},
        "two steel rules": {"second": True},
        "one tape, camera held square-on": {"body": TAPE},
    }
    for label, kind in kinds.items():
        errors, widths = [], []
        for seed in range(100):
            shot, frame, rules = seen_rules(np.random.default_rng(seed), **kind)
            camera = camera_by_rules(frame, rules).solution.camera
            px = shot.px(CORNERS_MM)
            mm = camera.to_sheet(px)
            for i, j in combinations(range(len(px)), 2):
                true = np.hypot(*(CORNERS_MM[i] - CORNERS_MM[j]))
                errors.append(np.hypot(*(mm[i] - mm[j])) - true)
                widths.append(2 * length_u_mm(camera, px[[i, j]]))
        inside = np.mean(np.abs(errors) < np.array(widths))
        rms = np.sqrt(np.mean(np.square(errors)))
        print(f"| {label} | {inside:.1%} | {rms:.2f} | {np.median(widths):.2f} |", flush=True)


if __name__ == "__main__":
    main()
