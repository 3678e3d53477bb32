from digitize.errors import Notice
from digitize.files.notices import at_the_bench, distinct, grouped

TEARS = "in the sheet near x {}, y {} and will tear there: cut a relief"


def tears(who, x, y):
    return Notice("bend-unrelieved", f"{who} {TEARS.format(x, y)}")


def test_one_spot_worked_out_twice_is_told_once():
    first, again, other = (
        tears("B2 ends", 88, 263),
        tears("B2 ends", 88, 262),
        tears("B2 ends", 4, 9),
    )
    assert distinct([first, again, other]) == (first, other)
    assert distinct([first, tears("B3 ends", 88, 263)]) == (first, tears("B3 ends", 88, 263))


def test_notices_of_a_kind_are_told_together_with_every_place():
    (told,) = grouped([tears("B2 ends", 88, 263), tears("B1 and B3 meet", 180, 110)])
    assert told.text == f"B2 ends {TEARS.format(88, 263)}; likewise B1 and B3 near x 180, y 110"
    two, three = (Notice("hole-in-bend", f"near x {x}, y 4 in bend B1+B2") for x in (3, 9))
    (told,) = grouped([two, three])
    assert told.text == "near x 3, y 4 in bend B1+B2; likewise B1+B2 near x 9, y 4"
    cuts = [
        Notice("flanges-mitred", f"flanges at B1 and B{b} cut back by up to 0.{b} mm")
        for b in (2, 3)
    ]
    (told,) = grouped(cuts)
    assert told.text == "flanges at B1 and B2 cut back by up to 0.2 mm; likewise B1 and B3 0.3 mm"


def test_what_names_no_place_is_told_by_itself():
    notices = [Notice("sheet-poor", text) for text in ("the ring is bent", "the ring is wet")]
    assert list(grouped(notices)) == notices


def test_what_decides_the_size_comes_before_what_was_done():
    mode = Notice("mode-chosen", "traced as ink")
    cut = Notice("relief-cut", "4 round reliefs cut at B1")
    assumed = [Notice(f"{what}-assumed", f"B1: {what}") for what in ("law", "radius", "traced")]
    doubt = Notice("hole-in-bend", "the hole near x 3, y 4 reaches into bend B1", "doubt")
    drawn = [Notice(code, code) for code in ("flanges-mitred", "blank-kerf")]
    told = grouped([mode, cut, *assumed, *drawn, tears("B1 ends", 1, 1), doubt])
    assert [n.code for n in told] == [
        "hole-in-bend",
        "blank-kerf",
        "flanges-mitred",
        "traced-assumed",
        "radius-assumed",
        "bend-unrelieved",
        "relief-cut",
        "law-assumed",
        "mode-chosen",
    ]
    assert [n.code for n in at_the_bench(told)] == [n.code for n in told[:-1]]
