"""The photographs the rule tests look at, each with its truth."""

from __future__ import annotations

import sys
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parent))
from bench import Plate, Rule, Scale, Shot, photograph

MM = Scale()
HALF = Scale(division=0.5, lengths_mm=(2.5, 3.5, 5, 7), width_mm=0.15)
INCH_16 = Scale("inch", 1 / 16, (2.5, 3.2, 4, 5, 6.5), 0.18)
INCH_32 = Scale("inch", 1 / 32, (2, 2.6, 3.3, 4.2, 5.2, 7), 0.18)
INCH_64 = Scale("inch", 1 / 64, (1.8, 2.2, 2.8, 3.5, 4.3, 5.2, 7), 0.15)
PIECE = Plate(np.array([[5, 50], [305, 50], [305, 150], [150, 185], [5, 150]]))
THICK = PIECE.thick_mm

BENCH = Shot(plates=(PIECE,), look_at_mm=(155, 95), distance_mm=370)
CLOSE = BENCH.but(size_px=(2400, 1800), focal_px=2300, distance_mm=350)

SCENES = {
    "square-on": BENCH.but(rules=(Rule(scales=(MM, replace(INCH_16, edge="top"))),)),
    "rusty-tilted": BENCH.but(
        tilt_deg=20,
        toward_deg=60,
        roll_deg=8,
        k1=-0.05,
        distance_mm=430,
        rules=(Rule(scales=(MM, replace(INCH_16, edge="top")), rust=0.6, glare=0.5, worn=0.2),),
    ),
    "sixteenths": BENCH.but(
        rules=(Rule(scales=(INCH_16,), turn_deg=3, at_mm=(0, 8)),),
        tilt_deg=4,
        toward_deg=200,
        k1=0.03,
        seed=3,
    ),
    "sixty-fourths": CLOSE.but(
        rules=(Rule(scales=(INCH_64,), length_mm=155, at_mm=(10, 0)),), distance_mm=300, seed=3
    ),
    "half-millimetres": CLOSE.but(
        rules=(Rule(scales=(HALF, replace(MM, edge="top")), length_mm=155, at_mm=(60, 0)),), seed=4
    ),
    "two-rules": BENCH.but(
        tilt_deg=25,
        toward_deg=150,
        distance_mm=520,
        look_at_mm=(145, 110),
        rules=(Rule(), Rule(length_mm=210, at_mm=(-45, 210), turn_deg=-88)),
        off_px=(20, -15),
        k1=0.02,
        seed=5,
    ),
    "tape": BENCH.but(
        rules=(Rule(width_mm=16, slope_deg=15, thick_mm=0.3, face=0.75),),
        tilt_deg=3,
        toward_deg=70,
        seed=6,
    ),
    "bright-marks": BENCH.but(
        rules=(Rule(face=0.08, ink=0.5, width_mm=30),),
        tilt_deg=5,
        toward_deg=10,
        grain=0.2,
        seed=7,
    ),
    "dim-noisy": BENCH.but(
        rules=(Rule(),), noise=0.02, blur_px=1.1, tilt_deg=8, toward_deg=80, roll_deg=-15, seed=8
    ),
    "no-rule": BENCH.but(grain=0.3, seed=9),
}

A4 = Plate(np.array([[0, 0], [210, 0], [210, 297], [0, 297]]), 0.1, 0.8, 0.01)
ON_PAPER = Plate(np.array([[30, 40], [180, 40], [180, 200], [110, 250], [30, 200]]), THICK)
OVER_AN_EDGE = Plate(np.array([[-30, 60], [150, 60], [150, 150], [-30, 150]]), THICK)
PAPER = Shot(plates=(A4, ON_PAPER), look_at_mm=(105, 148), distance_mm=500)

SCENES |= {
    "paper": PAPER,
    "paper-tilted": PAPER.but(
        tilt_deg=28, toward_deg=200, roll_deg=20, distance_mm=580, k1=-0.04, off_px=(15, -10)
    ),
    "paper-partly-covered": PAPER.but(
        plates=(A4, OVER_AN_EDGE), tilt_deg=15, toward_deg=40, roll_deg=-35, distance_mm=560
    ),
    "paper-across": PAPER.but(roll_deg=88, tilt_deg=10, distance_mm=420, grain=0.2),
}

SOUND = replace(PIECE, speckle=0.08)
NEAR = BENCH.but(
    size_px=(2400, 1800), focal_px=2250, plates=(SOUND,), shadow=0.1, distance_mm=390, seed=11
)
_LINE = Plate(np.array([[28.8, 38.8], [181.2, 38.8], [181.2, 201.2], [28.8, 201.2]]), 0.1, 0.03, 0)
_WITHIN = Plate(np.array([[30, 40], [180, 40], [180, 200], [30, 200]]), 0.1, 0.8, 0.01)

SCENES |= {
    "awkward": BENCH.but(  # upside down, at 45 degrees, worn and rusty
        rules=(Rule(scales=(MM,), at_mm=(5, 5), turn_deg=3, worn=0.3, rust=0.5),),
        roll_deg=135,
        distance_mm=460,
        look_at_mm=(165, 90),
        seed=12,
    ),
    "short-inches": BENCH.but(  # little more than two inches lie in the photo
        rules=(Rule(scales=(INCH_16,), at_mm=(250, 5)),), look_at_mm=(120, 95), seed=13
    ),
    "job-rule": NEAR.but(
        rules=(Rule(scales=(MM, replace(INCH_16, edge="top"))),), tilt_deg=3, toward_deg=110
    ),
    "job-drawn": PAPER.but(
        size_px=(2000, 1500),
        focal_px=1875,
        plates=(A4, _LINE, _WITHIN),
        shadow=0.0,
        tilt_deg=18,
        toward_deg=220,
        roll_deg=80,
    ),
}


def phone_file(shot, rgb, path):
    """The picture as a phone writes it: its header gives the focal length in whole millimetres."""
    exif = Image.Exif()
    diagonal = float(np.hypot(*shot.size_px))
    exif.get_ifd(0x8769)[0xA405] = round(shot.focal_px * float(np.hypot(36, 24)) / diagonal)
    Image.fromarray(rgb).save(path, quality=95, exif=exif)
    return path


def length_errors_mm(shot, camera, height_mm=THICK):
    """Found less true length, true length and pixels for every pair of the piece's corners."""
    corners = shot.plates[-1].corners_mm.astype(float)
    px = shot.px(np.column_stack([corners, np.full(len(corners), height_mm)]))
    mm = camera.to_sheet(px, height_mm)
    rows = []
    for i, j in combinations(range(len(corners)), 2):
        true = float(np.hypot(*(corners[i] - corners[j])))
        rows.append((float(np.hypot(*(mm[i] - mm[j]))) - true, true, px[[i, j]]))
    return rows


__all__ = ["SCENES", "THICK", "Shot", "length_errors_mm", "photograph"]
