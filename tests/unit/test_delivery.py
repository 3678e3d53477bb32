import numpy as np

from digitize.delivery import _doubts, _unseen
from digitize.errors import Notice
from digitize.pattern.contour import Circle, Slot
from digitize.pattern.model import Pattern


def test_every_closed_edge_that_was_not_measured_is_shown() -> None:
    for closed in (Circle((0, 0), 5, "restored"), Slot((0, 0), (20, 0), 4, "bridged")):
        shown = np.vstack(list(_unseen(closed)))
        assert np.ptp(shown[:, 1]) > 7.9
    assert not list(_unseen(Circle((0, 0), 5)))


def test_a_doubt_in_the_photo_of_several_pieces_says_which_it_is_about() -> None:
    def piece(name: str, *texts: str) -> Pattern:
        return Pattern(
            name, Circle((0, 0), 5), notices=tuple(Notice("n", t, "doubt") for t in texts)
        )

    both = [piece("gate-1", "curled", "soft"), piece("gate-2", "curled", "small")]
    assert _doubts(both) == ["Doubt: curled", "gate-1: Doubt: soft", "gate-2: Doubt: small"]
