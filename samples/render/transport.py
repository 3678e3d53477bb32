"""Light along a ray, traced with the renderer's own intersections, surfaces and lamps.

The room is an even glow with a brighter ceiling.  It is met only by following what a
surface scatters, never by aiming at it: over open paper that leaves almost no noise, where
a general integrator aims half of its samples below the table.  Lamps (area emitters in the
scene) are aimed at, and weighed against being met by scatter (balance heuristic, Veach
1997).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi


@dataclass(frozen=True)
class Room:
    """Radiance of the surroundings: sideways, straight overhead, and a wide soft window.

    The window is a smooth lobe, ``window * max(0, d . toward) ^ (2 ^ squarings)``.
    """

    side: tuple[float, float, float] = (0.30, 0.30, 0.30)
    overhead: tuple[float, float, float] = (0.40, 0.40, 0.40)
    window: tuple[float, float, float] = (0.0, 0.0, 0.0)
    toward: tuple[float, float, float] = (-0.6, 0.4, 0.7)
    squarings: int = 2

    def radiance(self, d: Any) -> Any:
        up = dr.select(d.z > 0, d.z, 0.0)
        up = up * up
        norm = sum(t * t for t in self.toward) ** 0.5
        lobe = (d.x * self.toward[0] + d.y * self.toward[1] + d.z * self.toward[2]) / norm
        lobe = dr.select(lobe > 0, lobe, 0.0)
        for _ in range(self.squarings):
            lobe = lobe * lobe
        return mi.Color3f(
            *[
                s + (o - s) * up + w * lobe
                for s, o, w in zip(self.side, self.overhead, self.window, strict=True)
            ]
        )


def gather_light(scene: Any, room: Room, sampler: Any, ray: Any, bounces: int) -> Any:
    """Radiance that arrives along ``ray`` after at most ``bounces`` scatterings."""
    context = mi.BSDFContext()
    lamps = len(scene.emitters()) > 0
    si = scene.ray_intersect(ray)
    light = dr.select(si.is_valid(), 0.0, room.radiance(ray.d))
    if lamps:
        light += dr.select(si.is_valid(), si.emitter(scene).eval(si), 0.0)
    through = mi.Color3f(1.0)
    alive = si.is_valid()
    for _ in range(bounces):
        bsdf = si.bsdf(ray)
        if lamps:
            ds, weight = scene.sample_emitter_direction(si, sampler.next_2d(), True, alive)
            aimed = alive & (ds.pdf > 0.0)
            value, pdf = bsdf.eval_pdf(context, si, si.to_local(ds.d), aimed)
            light += dr.select(aimed, through * value * weight * (ds.pdf / (ds.pdf + pdf)), 0.0)
        sample, value = bsdf.sample(context, si, sampler.next_1d(), sampler.next_2d(), alive)
        through = through * value
        ray = si.spawn_ray(si.to_world(sample.wo))
        before = si
        si = scene.ray_intersect(ray, alive)
        escaped = alive & ~si.is_valid()
        light += dr.select(escaped, through * room.radiance(ray.d), 0.0)
        alive = alive & si.is_valid()
        if lamps:
            lamp = si.emitter(scene)
            met = alive & (lamp != None)  # noqa: E711 - an array of pointers
            ds = mi.DirectionSample3f(scene, si, before)
            lamp_pdf = scene.pdf_emitter_direction(before, ds, met)
            light += dr.select(
                met, through * lamp.eval(si, met) * (sample.pdf / (sample.pdf + lamp_pdf)), 0.0
            )
    return light
