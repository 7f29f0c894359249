"""Geometry against other libraries: homographies (scikit-image), overlap (shapely), assignment (scipy).

Sources: Hartley & Zisserman, Multiple View Geometry (2004), 4.1 for four-point homographies; Kuhn, Naval
Research Logistics 2 (1955), for assignment; both as those libraries implement them.
"""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from plugface.models.matching.alignment import align
from plugface.vision.geometry import cut_out, map_back, overlap
from plugface.vision.observations import polygon_area
from scipy.optimize import linear_sum_assignment
from shapely.geometry import MultiPoint
from skimage.transform import ProjectiveTransform, warp

CORNERS = np.array([(210.0, 120.0), (520.0, 180.0), (490.0, 330.0), (180.0, 260.0)])


def test_a_labels_homography_agrees_with_scikit_image():
    """The map from a level strip to the photo, against ProjectiveTransform on the same four points."""
    picture = np.zeros((480, 640), np.uint8)
    strip, to_picture = cut_out(picture, CORNERS)
    height, width = strip.shape
    # The strip's corners lie where the box's mean sides end, at most half a pixel from its last pixels.
    target = map_back(np.array([(0, 0), (width, 0), (width, height), (0, height)]), to_picture)
    assert np.abs(target - CORNERS).max() < 1.0
    theirs = ProjectiveTransform()
    inner = np.array([(0, 0), (300, 0), (300, 150), (0, 150)], float)
    theirs.estimate(inner, map_back(inner, to_picture))
    points = np.random.default_rng(2).uniform(0, 300, (200, 2))
    # 1e-6 pixels: 64-bit arithmetic.
    np.testing.assert_allclose(map_back(points, to_picture), theirs(points), atol=1e-6)


def test_a_strip_is_cut_out_as_scikit_image_cuts_it():
    """Pixels of a level strip, against scikit-image's warp with the same map."""
    y, x = np.mgrid[0:480, 0:640]
    picture = (127 + 60 * np.sin(x / 23) + 60 * np.cos(y / 17)).astype(np.uint8)
    strip, to_picture = cut_out(picture, CORNERS)
    theirs = warp(
        picture, ProjectiveTransform(to_picture), output_shape=strip.shape, order=3, preserve_range=True
    )
    # 2 of 255 levels: another kernel of cubic interpolation, on a smooth picture.
    assert np.abs(strip.astype(float) - theirs)[2:-2, 2:-2].max() < 2


polygons = arrays(float, (6, 2), elements=st.floats(0, 100))


def test_overlap_agrees_with_shapely():
    """Intersection over union of convex hulls."""
    rng = np.random.default_rng(4)
    for _ in range(200):
        first, second = (rng.uniform(0, 60, 2) + rng.uniform(0, 60, (6, 2)) for _ in range(2))
        hull_a, hull_b = MultiPoint(first).convex_hull, MultiPoint(second).convex_hull
        expected = hull_a.intersection(hull_b).area / hull_a.union(hull_b).area
        # 1e-3: 32-bit corners up to 120 pixels, areas of hundreds of square pixels.
        shared = overlap(tuple(map(tuple, first)), tuple(map(tuple, second)))
        assert shared == pytest.approx(expected, abs=1e-3)


def test_outlines_that_are_all_but_the_same_overlap():
    """OpenCV 5.0 alone finds nothing shared in some of them, which shapely does."""
    rng = np.random.default_rng(0)
    for _ in range(2000):
        long, short, turn = rng.uniform(60, 400), rng.uniform(60, 400), rng.uniform(0, np.pi / 2)
        across, down = np.array((np.cos(turn), np.sin(turn))), np.array((-np.sin(turn), np.cos(turn)))
        box = np.array([across * long * i + down * short * j for i, j in ((0, 0), (1, 0), (1, 1), (0, 1))])
        assert overlap(box, box + rng.normal(0, 2e-4, (4, 2))) > 0.99


@given(polygons)
def test_area_agrees_with_shapely(points):
    """The shoelace formula on a convex outline."""
    hull = MultiPoint(points).convex_hull
    assume(hull.geom_type == "Polygon")
    assert polygon_area(tuple(hull.exterior.coords)[:-1]) == pytest.approx(hull.area, abs=1e-6)


@given(st.integers(1, 5).flatmap(lambda n: arrays(float, (n, n), elements=st.floats(0, 6))))
def test_order_keeping_never_beats_free_assignment_and_meets_it_when_sorted(odds):
    """Plug alignment against scipy's assignment, where gaps are ruled out."""
    never = -1e6  # no gaps: what is left is a plain assignment
    rows, columns = linear_sum_assignment(odds, maximize=True)
    free = odds[rows, columns].sum()
    kept = align(odds, never, np.full(len(odds), never)).score
    assert kept <= free + 1e-9
    in_order = odds[:, columns]  # put the assigned columns in order: now both must agree
    assert align(in_order, never, np.full(len(odds), never)).score == pytest.approx(free, abs=1e-9)
