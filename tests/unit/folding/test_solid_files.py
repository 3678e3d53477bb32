import io

import folded_pieces as pieces
import numpy as np
import pytest
import trimesh
from PIL import Image

from digitize.files import solid_file
from digitize.files.pictures import shaded
from digitize.folding.sizes import fold_names
from digitize.folding.solid import fold_up


@pytest.fixture(scope="module")
def blank():
    return pieces.developed(pieces.tray())


@pytest.fixture(scope="module")
def solid(blank):
    return fold_up(blank)


@pytest.mark.parametrize(("suffix", "per_mm"), [(".stl", 1.0), (".ply", 1.0), (".glb", 0.001)])
def test_a_mesh_file_read_again_holds_the_solid(solid, suffix, per_mm):
    data = io.BytesIO(solid_file.render(solid, suffix))
    read = trimesh.load(data, file_type=suffix[1:], force="mesh")
    truth = trimesh.Trimesh(solid.vertices_mm, solid.triangles)
    assert read.volume == pytest.approx(truth.volume * per_mm**3, rel=1e-4)
    assert sorted(read.extents) == pytest.approx(sorted(truth.extents * per_mm), rel=1e-4)
    if suffix == ".glb":
        assert read.bounds[1][1] == pytest.approx(truth.bounds[1][2] * per_mm, rel=1e-4)  # y is up


def test_an_unknown_mesh_format_is_refused(solid):
    with pytest.raises(solid_file.BadSolidFile, match="obj"):
        solid_file.render(solid, ".obj")


def test_the_picture_shows_faces_bends_and_their_numbers(blank, solid):
    names = fold_names(blank.tree)
    size = (400, 300)
    with_numbers = np.asarray(shaded.picture(solid, names, size_px=size)).astype(int)
    bare = np.asarray(shaded.picture(solid, {}, size_px=size)).astype(int)
    assert (np.abs(with_numbers - bare).sum(axis=2) > 60).sum() > 300  # nine numbers
    paper = (bare == 255).all(axis=2)
    assert 0.2 < 1 - paper.mean() < 0.9
    assert paper[[0, -1]].all()
    orange = (bare[..., 0] - bare[..., 2] > 30).mean()
    assert 0.002 < orange < 0.1
    png = shaded.render(solid, names, shaded.View(120.0, 20.0), size)
    assert Image.open(io.BytesIO(png)).size == size


def test_a_face_of_which_a_sliver_shows_is_named_beside_the_piece():
    shown = np.full((300, 400), -1)
    shown[60:240, 60:260] = 0
    shown[100:200, 260:268] = 1
    image = Image.new("RGB", (400, 300), shaded.PAPER)
    shaded._numbers(image, shown, {1: "F2"}, faces=2)
    marked = (np.asarray(image) != 255).any(axis=2)
    assert marked[shown == 1].any()  # the leader's dot
    assert marked[:, 275:].sum() > 100  # the name
    assert not marked[:, :250].any()
