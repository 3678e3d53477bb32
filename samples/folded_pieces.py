"""Patterns to fold: a drip tray of a tractor, a channel, a tab in the middle of an edge."""

from digitize.bending.facts import Said, Stock, resolve
from digitize.bending.laws import NeutralLine
from digitize.bending.materials import material
from digitize.blank.develop import develop
from digitize.pattern.contour import Circle, Contour
from digitize.pattern.model import BendLine, Pattern
from digitize.pattern.segments import Line


def outline(points):
    points = [(float(x), float(y)) for x, y in points]
    return Contour.of([Line(a, b) for a, b in zip(points, points[1:] + points[:1], strict=True)])


def bend(x0, y0, x1, y1):
    return BendLine((float(x0), float(y0)), (float(x1), float(y1)))


def channel(web=60.0, left=25.0, right=30.0, length=120.0):
    """A strip across: legs left and right of a web."""
    total = left + web + right
    return Pattern(
        "channel",
        outline([(0, 0), (total, 0), (total, length), (0, length)]),
        openings=(Circle((left + web / 2, length / 2), 8.0),) if web > 30.0 else (),
        bends=(bend(left, 0, left, length), bend(left + web, 0, left + web, length)),
    )


def tray(w=160.0, d=100.0, h=20.0):
    """Four flanges, standing clear of one another at the corners."""
    g = 4.0
    points = [(0, 0), (g, 0), (g, -h), (w - g, -h), (w - g, 0), (w, 0)]
    points += [(w, g), (w + h, g), (w + h, d - g), (w, d - g), (w, d)]
    points += [(w - g, d), (w - g, d + h), (g, d + h), (g, d), (0, d)]
    points += [(0, d - g), (-h, d - g), (-h, g), (0, g)]
    bends = (
        bend(g, 0, w - g, 0),
        bend(w, g, w, d - g),
        bend(w - g, d, g, d),
        bend(0, d - g, 0, g),
    )
    return Pattern("tray", outline(points), openings=(Circle((50.0, 50.0), 10.0),), bends=bends)


def developed(pattern, said=None, t=1.2, law=None, base=None):
    said = said or {"all": Said(90.0, True, 1.2)}
    facts, _ = resolve(pattern, Stock(material("steel"), t, law or NeutralLine(0.4)), said)
    return develop(pattern, facts, base)


def tab():
    """A plate with a tab in the middle of its lower edge, without reliefs."""
    points = [(0, 0), (60, 0), (60, -20), (100, -20), (100, 0), (160, 0), (160, 100), (0, 100)]
    return Pattern("tab", outline(points), bends=(bend(60, 0, 100, 0),))


def lipped(web=150.0, flange=30.0, lip=14.0, length=200.0):
    """A plate with one flange and a lip on it, turned back over the plate."""
    total = web + flange + lip
    bends = (
        bend(flange + lip, length, flange + lip, 0),
        bend(lip, length, lip, 0),
    )
    return Pattern(
        "lipped", outline([(0, 0), (total, 0), (total, length), (0, length)]), bends=bends
    )


def corner():
    """A plate with flanges on two sides that meet in a corner, not relieved."""
    points = [(0, 0), (2, -20), (98, -20), (100, 0), (100, 80), (0, 80), (-15, 76), (-15, 2)]
    bends = (bend(0, 0, 100, 0), bend(0, 80, 0, 0))
    return Pattern("corner", outline(points), bends=bends)


def tray_with_lips(w=300.0, d=200.0, flange=25.0, lip=12.0):
    """Ten bends: four flanges with a lip each, two of the lips with another one on them."""
    inset, points, bends = 30.0, [], []
    corners = [(0.0, 0.0), (w, 0.0), (w, d), (0.0, d)]
    for k, ((x0, y0), (x1, y1)) in enumerate(zip(corners, corners[1:] + corners[:1], strict=True)):
        span = abs(x1 - x0) + abs(y1 - y0)
        ux, uy = (x1 - x0) / span, (y1 - y0) / span
        heights = [flange, lip, lip] if k % 2 == 0 else [flange, lip]
        left, right, out = [], [], 0.0
        for level, height in enumerate([*heights, 0.0]):
            a, b = inset + level, span - inset - level
            left.append((x0 + a * ux + out * uy, y0 + a * uy - out * ux))
            right.append((x0 + b * ux + out * uy, y0 + b * uy - out * ux))
            out += height
        bends += [bend(*p, *q) for p, q in zip(left[:-1], right[:-1], strict=True)]
        points += [(x0, y0), *left, *right[::-1]]
    return Pattern("tray with lips", outline(points), bends=tuple(bends))


def comb(teeth):
    """A strip with tabs along one edge, each with a bend of its own."""
    points, bends = [(0.0, 0.0)], []
    for k in range(teeth):
        x0, x1 = 10.0 + 20.0 * k, 22.0 + 20.0 * k
        points += [(x0, 0.0), (x0, -20.0), (x1, -20.0), (x1, 0.0)]
        bends.append(bend(x0, 0, x1, 0))
    end = 20.0 * teeth + 10.0
    return Pattern("comb", outline([*points, (end, 0), (end, 60), (0, 60)]), bends=tuple(bends))
