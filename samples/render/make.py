"""Render one shot, develop it, check it and write photograph and truth beside each other."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import mitsuba as mi
import numpy as np
from lens import expose
from sensor import develop, write_jpeg
from shot import Shot, white_spots
from verify import corner_errors_px, edge_check, inside, ray_error_px, seen_at


def make(shot: Shot, folder: Path, tile: int = 150_000) -> dict[str, Any]:
    """Writes ``name.jpg`` and ``name.json``; returns the truth."""
    began = time.monotonic()
    folder.mkdir(parents=True, exist_ok=True)
    scene = shot.scene()
    lens, target = shot.lens, shot.targets[0]
    known = target.standing((target.sheet.x_corners() * target.sheet.square_mm).astype(np.float64))
    ray_error = ray_error_px(scene, lens, known)
    edge_share = None
    if shot.edges:
        edge_share = edge_check(scene, shot.edges, shot.beneath_mm, 0.01)
        assert edge_share > 0.999, f"{shot.name}: a mesh and its stated edge differ"
    light = expose(
        scene,
        shot.room,
        lens,
        samples=shot.samples,
        bounces=shot.bounces,
        seed=shot.sensor.seed,
        tile=tile,
    )
    spots = white_spots(target)
    px = seen_at(lens, spots)
    px = np.round(px[inside(lens, px, 2.0)]).astype(int)
    paper = float(np.median(light[px[:, 1], px[:, 0]] @ np.array([0.2126, 0.7152, 0.0722])))
    rgb = develop(light, paper, shot.sensor)
    equivalent = write_jpeg(folder / f"{shot.name}.jpg", rgb, lens.focal_px, shot.sensor.quality)
    count, error = corner_errors_px(rgb, lens, target)
    assert ray_error < 0.01, f"{shot.name}: the rays miss the stated camera by {ray_error} px"
    axis = -lens.rotation[2]
    truth: dict[str, Any] = {
        "schema": 1,
        "name": shot.name,
        "photo": f"{shot.name}.jpg",
        "about": shot.about,
        "mode": shot.mode,
        "camera": {
            "size_px": list(lens.size_px),
            "focal_px": lens.focal_px,
            "principal_px": list(lens.principal_px),
            "k1": lens.k1,
            "k2": lens.k2,
            "rotation": lens.rotation.tolist(),
            "translation_mm": lens.translation_mm.tolist(),
            "centre_mm": lens.centre_mm.tolist(),
            "tilt_deg": float(np.degrees(np.arccos(axis[2]))),
            "blur_px": lens.blur_px,
        },
        "mm_per_px": float(lens.centre_mm[2] / axis[2] / lens.focal_px),
        "focal_35mm_in_header": equivalent,
        "targets": [t.truth() for t in shot.targets],
        "pieces": shot.pieces,
        **shot.extra,
        "renderer": {
            "program": f"Mitsuba {mi.__version__}, {mi.variant()}",
            "samples_per_px": shot.samples,
            "bounces": shot.bounces,
        },
        "check": {
            "ray_error_max_px": ray_error,
            "edges_within_0.01_mm": edge_share,
            "corners_seen": count,
            "corner_error_mean_px": error.mean(axis=0).tolist() if count else None,
            "corner_error_rms_px": float(np.sqrt((error**2).mean())) if count else None,
        },
    }
    (folder / f"{shot.name}.json").write_text(json.dumps(truth, indent=1) + "\n")
    print(f"{shot.name}: {time.monotonic() - began:.0f} s, {truth['check']}", flush=True)
    return truth
