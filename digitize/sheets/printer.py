"""What a printer does to the size of a sheet, as found by measuring the two bars.

Printers stretch the two axes differently: the feed by the motion of the paper, the other
axis by the scan.  Two plain factors are enough.  A profile keeps what was measured on one
sheet; every later sheet from the same printer, printed in the same way, is corrected by it.
Across and up are meant as the words on the sheet stand upright, which is how the sheet
runs through the printer; a driver that is told "landscape" turns the axes and needs a
profile of its own.

Paper lives, too: it grows in damp air (more across its grain than along), and a laser
print comes out of the fuser dry and short and regains its size within hours.  Measure
after the print has lain for some hours in the room where the photo is taken.  Curled
paper must be pressed flat before a rule says anything.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from digitize.errors import DigitizeError, Exit, Notice
from digitize.files.profiles import Shelf, number, text
from digitize.files.units import MM_PER_INCH, Unit
from digitize.sheets import page
from digitize.sheets.layout import PrintScale

READING_U_MM = 0.2
"""Standard uncertainty of a length read off a steel rule divided into half millimetres.
Each end is set to within half a division, +/-0.25 mm, anything in between equally likely:
0.25 / sqrt(3) = 0.14 mm, and sqrt(2) times that for two ends."""

SHEET_TO_SHEET_U = 0.0005
"""Relative standard uncertainty between the sheet that was measured and the one in the
photo.  Paper changes by 0.01 to 0.02 % for each per cent of relative humidity (from
memory); +/-5 % of humidity are +/-0.075 %, divided by sqrt(3)."""

UNMEASURED_U = 0.006
"""Relative standard uncertainty of a print that nobody measured: +/-1 %, the worst that
present printers do in the feed (common practice: laser 0.1-0.5 %, inkjet 0.2-1 %), divided
by sqrt(3).  It does not cover a page that was scaled to fit, 3 to 9 % short."""

SCALED = 0.015
"""Beyond this the page was scaled: present printers stay within 1 %, "fit to page" takes
at least 3 % (common practice, no source)."""

ABSURD = 0.12
"""Beyond this the figures are wrong: A4 fitted on Letter paper is 91 to 94 % long."""

UNEQUAL = 0.04
"""The axes of one page never differ by more: 2.8 % has been seen on old laser engines, 1 %
with "fit to page"."""


class BadMeasurement(DigitizeError):
    """The measured bars cannot be those of the sheet."""

    exit_code = Exit.ASKED


class BadProfile(DigitizeError):
    """A printer profile is missing or is not one."""

    exit_code = Exit.ASKED


@dataclass(frozen=True, slots=True)
class PrinterProfile:
    """The bars of one sheet, as they should be and as they were measured."""

    name: str
    measured_on: date
    sheet: str  # form and paper, for the record: "ring A4"
    nominal_mm: tuple[float, float]  # across, up
    measured_mm: tuple[float, float]
    reading_u_mm: float = READING_U_MM

    def __post_init__(self) -> None:
        """Raises ``BadMeasurement`` where the figures contradict themselves."""
        PROFILES.check_name(self.name)
        if not 0.0 < self.reading_u_mm < 5.0:
            raise BadMeasurement(
                f"the uncertainty of the rule reading, {self.reading_u_mm:g} mm, makes no sense",
                do="give millimetres between 0 and 5",
            )
        for bar, nominal, measured in zip(
            ("across", "up"), self.nominal_mm, self.measured_mm, strict=True
        ):
            if not (math.isfinite(nominal) and nominal > 0.0):
                raise BadMeasurement(f"a nominal length of {nominal:g} mm makes no sense")
            if not (math.isfinite(measured) and abs(measured / nominal - 1.0) <= ABSURD):
                raise BadMeasurement(
                    f"the bar {bar} should be {nominal:.1f} mm and was given as {measured:.1f} mm",
                    do=self._advice(),
                )
        x, y = self._factors()
        if abs(x - y) > UNEQUAL:
            raise BadMeasurement(
                f"the bars were printed at {100 * x:.1f} % across and {100 * y:.1f} % up, and no "
                "printer differs so much between its axes",
                do="measure both again and check which sheet it is",
            )

    def scale(self) -> PrintScale:
        """Printed over nominal size on both axes."""
        x, y = self._factors()
        u_x, u_y = (
            math.hypot(self.reading_u_mm / nominal, SHEET_TO_SHEET_U) for nominal in self.nominal_mm
        )
        return PrintScale(
            x=x,
            y=y,
            u_x=u_x,
            u_y=u_y,
            measured=True,
            source=f"bars measured {self.measured_on.isoformat()}, printer {self.name!r}",
        )

    def notices(self) -> tuple[Notice, ...]:
        """What the user should hear about this print."""
        x, y = self._factors()
        if max(abs(x - 1.0), abs(y - 1.0)) <= SCALED:
            return ()
        return (
            Notice(
                "print-scaled",
                f"the printer scaled the page, to {100 * x:.1f} % across and {100 * y:.1f} % up "
                "(“fit to page” was on): sizes are corrected for it, but only sheets printed in "
                "just this way fit the profile; better print again at 100 % and measure again",
                "doubt",
            ),
        )

    def _factors(self) -> tuple[float, float]:
        (across, up), (nominal_across, nominal_up) = self.measured_mm, self.nominal_mm
        return across / nominal_across, up / nominal_up

    def _advice(self) -> str:
        (across, up), (nominal_across, nominal_up) = self.measured_mm, self.nominal_mm

        def close(a: float, b: float) -> bool:
            return abs(a / b - 1.0) <= ABSURD

        if close(across, nominal_up) and close(up, nominal_across):
            return "across and up seem to be swapped"
        for factor, words in ((MM_PER_INCH, "inches"), (10.0, "centimetres")):
            if close(across * factor, nominal_across) and close(up * factor, nominal_up):
                return f"the figures seem to be {words}, give the unit or use millimetres"
        return "measure again, and check that the paper and the unit of the bars are the sheet's"


def measured(
    name: str,
    form: str,
    paper: str,
    across_mm: float,
    up_mm: float,
    *,
    on: date,
    units: Unit = "mm",
    reading_u_mm: float = READING_U_MM,
) -> PrinterProfile:
    """The profile of a printer from the bars of one of the sheets.

    ``units`` says whether that sheet's bars are whole centimetres or whole inches long;
    where only the other kind of bars fits what was measured, it was the other kind.
    Raises ``BadMeasurement`` and ``NoSuchSheet``.
    """
    sheet = page.page(form, paper, 1, units)
    found = across_mm, up_mm
    other: Unit = "in" if units == "mm" else "mm"
    if (
        _fit(found, page.bars_mm(form, paper, other))
        < SCALED
        < _fit(found, page.bars_mm(form, paper, units))
    ):
        units = other
    return PrinterProfile(
        name=name.strip(),
        measured_on=on,
        sheet=f"{sheet.form} {sheet.paper}",
        nominal_mm=page.bars_mm(form, paper, units),
        measured_mm=(across_mm, up_mm),
        reading_u_mm=reading_u_mm,
    )


def _fit(found_mm: tuple[float, float], nominal_mm: tuple[float, float]) -> float:
    """How far two bars are from nominal at most, relative."""
    return max(abs(f / n - 1.0) for f, n in zip(found_mm, nominal_mm, strict=True))


def unmeasured() -> tuple[PrintScale, Notice]:
    """The scale to assume when nobody measured the bars, and what to tell the user."""
    scale = PrintScale(1.0, 1.0, UNMEASURED_U, UNMEASURED_U, measured=False, source="not measured")
    return scale, Notice(
        "print-unmeasured",
        "nobody has measured the bars on this sheet, so every size is uncertain by up to "
        f"{200 * UNMEASURED_U:.1f} % (95 %, and wrong by more if the printer fitted it to the "
        "page): measure both bars with a steel rule and tell the tool",
        "doubt",
    )


def _to_fields(profile: PrinterProfile) -> dict[str, Any]:
    return {
        "name": profile.name,
        "measured_on": profile.measured_on.isoformat(),
        "sheet": profile.sheet,
        "nominal_mm": dict(zip(("across", "up"), profile.nominal_mm, strict=True)),
        "measured_mm": dict(zip(("across", "up"), profile.measured_mm, strict=True)),
        "reading_u_mm": profile.reading_u_mm,
    }


def _from_fields(document: Mapping[str, Any]) -> PrinterProfile:
    return PrinterProfile(
        name=text(document, "name"),
        measured_on=date.fromisoformat(text(document, "measured_on")),
        sheet=text(document, "sheet"),
        nominal_mm=_pair(document, "nominal_mm"),
        measured_mm=_pair(document, "measured_mm"),
        reading_u_mm=number(document, "reading_u_mm"),
    )


def _pair(document: Mapping[str, Any], key: str) -> tuple[float, float]:
    value = document[key]
    if not isinstance(value, dict):
        raise TypeError(key)
    return number(value, "across"), number(value, "up")


PROFILES = Shelf(
    "printer",
    version=1,
    to_fields=_to_fields,
    from_fields=_from_fields,
    fault=BadProfile,
    again="measure the printer again, with 'digitize printer' and --overwrite",
    make="measure a printed sheet and keep it with 'digitize printer'",
)
"""The printers that have been measured."""
