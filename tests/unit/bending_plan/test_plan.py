"""Orders that any bench hand could say beforehand, and blocks with the right name on them."""

from itertools import permutations

import folded_pieces as pieces
import pytest

from digitize.bending.facts import Said
from digitize.bending_plan.bench import Bench
from digitize.bending_plan.operation import Block, Step
from digitize.bending_plan.part import Part
from digitize.bending_plan.plan import BadPlan, plan
from digitize.bending_plan.search import Search
from digitize.bending_plan.tools import TOOLS, Bars, Folder, Vice
from digitize.bending_plan.wording import blocked, how
from digitize.pattern.model import Pattern


def order(found):
    return [s.operation.name for s in found.steps]


def planned(pattern, tool, said=None, **more):
    return plan(pieces.developed(pattern, said), tool, "mild-steel", **more)


def test_a_wide_channel_is_folded_in_any_order_through_nearly_91_degrees():
    found = planned(pieces.channel(60.0, 25.0, 30.0, 120.0), Vice())
    assert order(found) == ["B1", "B2"]
    assert found.orders == 2
    assert all(s.bend.angle_deg == pytest.approx(90 / 0.99) for s in found.steps)


def test_a_narrow_channel_is_blocked_by_the_leg_that_is_bent_already():
    found = planned(pieces.channel(14.0, 40.0, 40.0, 100.0), Vice())
    assert not found.steps
    assert {(b.operation.name, b.because) for b in found.blocks} == {("B1", "B2"), ("B2", "B1")}
    assert all("jaw" in b.reason for b in found.blocks)
    assert "hammered" in found.remedies[0].text
    assert sorted(order_of(found.remedies[0].pieces[0])) == ["B1", "B2"]


def order_of(steps):
    return [s.operation.name for s in steps]


def test_the_web_of_a_channel_must_span_the_jaw():
    """The web goes over the jaw, the bent leg comes down behind it: 25 mm deep by default, so a
    leg of 20 clears the casting below, and one of 40 needs a web wider than the casting."""
    jaw, casting = Vice().jaw_thickness_mm, Vice().body_mm
    for web, leg, works in (
        (jaw + 6.0, 20.0, True),
        (jaw - 2.0, 20.0, False),
        (casting - 5.0, 40.0, False),
        (casting + 6.0, 40.0, True),
    ):
        found = planned(pieces.channel(web, leg, leg, 100.0), Vice())
        assert bool(found.steps) is works, (web, leg)


def test_a_tray_wants_fingers_for_its_last_side_and_no_straight_clamp():
    found = planned(pieces.tray(), TOOLS["box-folder"])
    assert len(found.steps) == 4
    assert found.orders == 24
    last = found.steps[-1]
    assert last.choice.fingers  # between the two flanges that stand
    assert sum(last.choice.fingers) <= 92.0
    straight = planned(pieces.tray(), TOOLS["straight-folder"])
    assert not straight.steps
    assert all("the clamp" in b.reason for b in straight.blocks)
    assert "hammered" in straight.remedies[0].text


def test_bars_too_long_for_a_tray_are_cut():
    found = planned(pieces.tray(), Bars())
    assert not found.steps
    assert "cut to" in found.remedies[0].text
    assert len(found.remedies[0].pieces[0]) == 4


@pytest.mark.parametrize(
    ("pattern", "tool", "said", "reason"),
    [
        (pieces.channel(length=200.0), Vice(), None, "200 mm long and the jaws 125 mm wide"),
        (
            pieces.channel(),
            Vice(),
            {"all": Said(135.0, True, 1.2)},
            "the bench vice cannot bend it farther than 95°",
        ),
        (pieces.channel(left=6.0, web=6.5), Vice(), None, "to hold"),
        (
            pieces.channel(100.0, 100.0, 100.0, 100.0),
            Vice(),
            None,
            "runs into the slide of the vice",
        ),
        (pieces.channel(length=700.0), TOOLS["box-folder"], None, "the folder takes 600 mm"),
        (
            pieces.channel(length=300.0),
            Folder(fingers_mm=(100.0, 50.0)),
            None,
            "150 mm of fingers",
        ),
    ],
)
def test_what_the_tool_cannot_do_is_said(pattern, tool, said, reason):
    found = planned(pattern, tool, said)
    assert not found.steps
    assert any(reason in b.sentence for b in found.blocks), [b.sentence for b in found.blocks]


def test_an_order_asked_for_is_kept_or_tipped_to_the_nearest():
    """On a straight clamp the lips come before the flanges they stand on."""
    pattern, tool = pieces.lipped(), Folder(fingers_mm=(), clamp_height_mm=60.0)
    good = planned(pattern, tool, wanted=("B2", "B1"))
    assert order(good) == ["B2", "B1"]
    bad = planned(pattern, tool, wanted=("B1", "B2"))
    assert not bad.steps
    assert bad.blocks[0].operation.name == "B2"
    assert bad.blocks[0].because == "B1"
    assert "B2, B1: 1 pair swapped" in bad.remedies[0].text
    with pytest.raises(BadPlan, match="not one of all bends"):
        planned(pattern, tool, wanted=("B1",))


def test_the_search_finds_just_the_orders_that_trying_them_all_finds():
    for pattern, tool in (
        (pieces.tray(), TOOLS["box-folder"]),
        (pieces.tray(h=45.0), Vice(jaw_width_mm=145.0, depth_mm=200.0)),
        (pieces.lipped(), TOOLS["straight-folder"]),
    ):
        blank = pieces.developed(pattern)
        part = Part(blank)
        search = Search(Bench(part, tool, "mild-steel"))
        search.best()
        works = 0
        for tried in permutations(range(len(part.operations))):
            bench, done = Bench(part, tool, "mild-steel"), 0
            for index in tried:
                if isinstance(bench.make(done, index), Block):
                    break
                done |= 1 << index
            else:
                works += 1
        assert search.orders == works


def test_flanges_that_run_into_each_other_are_named():
    found = planned(
        pieces.channel(30.0, 40.0, 40.0, 100.0),
        Bars(),
        {
            "B1": Said(93.0, True, 1.2),
            "B2": Said(150.0, True, 1.2),
        },
    )
    assert not found.steps
    part = Part(
        pieces.developed(
            pieces.channel(30.0, 40.0, 40.0, 100.0),
            {
                "B1": Said(90.0, True, 1.2),
                "B2": Said(150.0, True, 1.2),
            },
        )
    )
    step = Bench(part, Folder(front_deg=70.0), "mild-steel").hammer(1, 1)
    assert isinstance(step, Block)
    assert "brings F3 into F1" in step.reason or "brings F1 into F3" in step.reason
    assert step.because == "B1"
    assert isinstance(Bench(part, Folder(front_deg=70.0), "mild-steel").hammer(0, 1), Step)


def test_two_tabs_on_one_bend_line_are_bent_in_one_go():
    """A notch down to the bend line leaves two flanges that swing together."""
    points = [(0, 0), (0, -20), (40, -20), (40, 0), (60, 0), (60, -20), (100, -20), (100, 0)]
    points += [(100, 80), (0, 80)]
    pattern = Pattern("tabs", pieces.outline(points), bends=(pieces.bend(0, 0, 100, 0),))
    found = planned(pattern, TOOLS["box-folder"])
    assert order(found) == ["B1"]
    assert len(found.steps[0].operation.children) == 2
    assert found.steps[0].stands_out_mm == pytest.approx(19.0, abs=0.5)


def test_a_piece_with_many_bends_left_to_the_hammer_may_be_split():
    """A narrow channel with lips: two bends by hand, or two pieces welded in the middle."""
    across = [20.0, 80.0, 96.0, 156.0]
    plate = pieces.outline([(0, 0), (176, 0), (176, 100), (0, 100)])
    pattern = Pattern("lipped", plate, bends=tuple(pieces.bend(x, 0, x, 100) for x in across))
    said = {"B4": Said(90.0, False, 1.2), "all": Said(90.0, True, 1.2)}
    found = planned(pattern, Vice(), said)
    assert not found.steps
    by_hand, split = found.remedies
    assert by_hand.text == "leave B2 and B3 to be hammered over by hand"
    assert split.text == "split the piece along B2 and weld it there afterwards"
    assert sorted(len(piece) for piece in split.pieces) == [1, 2]  # B2 itself is not bent any more


def test_a_lug_is_bent_over_a_jaw_and_not_into_the_sheet_it_was_cut_from():
    """Its plate stands in the vice; the leaf of a folder cannot pass the sheet around it."""
    slot = [(40, 20), (80, 20), (80, 68), (77, 68), (77, 23), (43, 23), (43, 68), (40, 68)]
    plate = pieces.outline([(0, 0), (120, 0), (120, 80), (0, 80)])
    pattern = Pattern(
        "lug", plate, openings=(pieces.outline(slot),), bends=(pieces.bend(43, 62, 77, 62),)
    )
    assert order(planned(pattern, Vice())) == ["B1"]
    found = planned(pattern, TOOLS["box-folder"])
    assert not found.steps
    assert "F2 runs into the leaf" in found.blocks[0].sentence
    assert "hammered over by hand" in found.remedies[0].text


def test_nothing_to_bend_and_too_much_to_bend_are_refused():
    with pytest.raises(BadPlan, match="all bends of the blank are flat"):
        planned(pieces.channel(), Vice(), {"all": Said(0.0, True, 1.2)})
    many = Pattern(
        "many",
        pieces.outline([(0, 0), (360, 0), (360, 50), (0, 50)]),
        bends=tuple(pieces.bend(20 * k, 0, 20 * k, 50) for k in range(1, 18)),
    )
    with pytest.raises(BadPlan, match="17 bends"):
        planned(many, Vice(), {"all": Said(30.0, True, 1.2)})


def test_bends_of_one_line_are_made_in_one_go_where_the_tool_is_long():
    """In a folder the leaf would hit a tab that stands beside the one to bend."""
    assert order(planned(pieces.comb(5), TOOLS["box-folder"])) == ["B1+B2+B3+B4+B5"]
    found = planned(pieces.comb(14), Vice())
    assert len(found.steps) == 14  # one after the other, and found without searching 2^14 sets
    assert found.checks < 5000


def test_what_blocks_each_other_settles_it_without_a_search():
    found = planned(pieces.tray_with_lips(), TOOLS["straight-folder"])
    assert found.proven
    assert not found.steps
    search = Search(Bench(Part(pieces.developed(pieces.tray_with_lips())), Vice(), "mild-steel"))
    assert search.best() is None
    assert search.checks < 40


def test_why_not_says_what_is_in_the_way_on_either_side_and_the_other_way_round():
    """A Z in a folder: whichever bend comes first, its leg hangs into bed or leaf."""
    legs = {"B1": Said(90.0, True, 1.2), "B2": Said(90.0, False, 1.2)}
    found = planned(pieces.channel(30.0, 40.0, 40.0, 100.0), TOOLS["straight-folder"], legs)
    assert blocked(found.blocks) == [
        "B2 cannot be bent: held by F2, F1 runs into the bed; held by F3, F1 runs into the leaf "
        "before it swings (B1 is in the way)",
        "B1 cannot be bent: held by F2, F3 runs into the bed; held by F1, F3 runs into the leaf "
        "before it swings (B2 is in the way)",
    ]


def test_bends_far_longer_than_the_jaws_go_between_bars():
    found = planned(pieces.channel(length=400.0), Vice())
    assert blocked(found.blocks) == ["each of B1 and B2 is 400 mm long and the jaws 125 mm wide"]
    (bars,) = found.remedies
    assert bars.text == "bend all between angle-iron bars 460 mm long (--tool bars)"
    assert order_of(planned(pieces.channel(length=400.0), bars.tool).steps) == ["B1", "B2"]
    blank = pieces.developed(pieces.channel(length=400.0))
    assert "between the bars" in how(blank, bars.tool, bars.pieces[0][0], str)


def test_a_bend_a_little_longer_than_the_jaws_goes_over_a_block():
    found = planned(pieces.channel(length=160.0), Vice())
    assert found.remedies[0].text == "bend B1 and B2 over a steel block cut to 150 mm"
    step = found.remedies[0].pieces[0][0]
    words = how(pieces.developed(pieces.channel(length=160.0)), Vice(), step, lambda mm: f"{mm:g}")
    assert "clamped against a steel block 150 long that stands 60 up out of the vice" in words
    assert "goes down into the jaws" not in words


def test_a_finished_piece_that_runs_into_itself_is_said_to():
    """A square tube whose lap is as wide outside as what it laps on."""
    ends = (0.0, 40.0, 80.0, 120.0, 160.0, 172.0)
    bends = tuple(pieces.bend(x, 0, x, 100) for x in ends[1:-1])
    tube = Pattern("tube", pieces.outline([(0, 0), (172, 0), (172, 100), (0, 100)]), bends=bends)
    found = planned(tube, TOOLS["box-folder"])
    assert "the finished piece runs into itself" in found.blocks[0].sentence
    assert not found.remedies


def test_reliefs_are_the_way_out_where_the_sheet_beside_a_bend_is_in_the_way():
    found = planned(pieces.corner(), TOOLS["box-folder"], {"all": Said(90.0, True, 3.0)})
    assert found.remedies[0].text == "cut reliefs first (`digitize blank ... --relief round`)"
    assert sorted(order_of(found.remedies[0].pieces[0])) == ["B1", "B2"]
