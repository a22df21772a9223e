"""Pictures as bytes: the layout is solved once, and the picture is the one that matplotlib saves by itself."""

from __future__ import annotations

import io

import matplotlib as mpl
from matplotlib.figure import Figure
from matplotlib.image import imread

from phenofit.files.pictures import figure_bytes, laid_out


def _figure() -> Figure:
    figure = Figure(figsize=(4.0, 2.5), layout="constrained")
    left, right = figure.subplots(1, 2)
    left.plot([0.0, 1.0], [1000.0, 2000.0])
    left.set_ylabel("two lines\nof a label")
    right.set_title("a title")
    figure.suptitle("above both")
    return figure


def test_a_layout_that_is_solved_once_gives_the_picture_of_matplotlib() -> None:
    expected = io.BytesIO()
    with mpl.rc_context({"font.family": "DejaVu Sans"}):
        _figure().savefig(expected, format="png", dpi=200)
    figure = _figure()
    assert (imread(io.BytesIO(figure_bytes(figure))) == imread(io.BytesIO(expected.getvalue()))).all()
    assert figure.get_layout_engine() is not None, "the layout is solved again after a change"


def test_pictures_of_several_forms_share_one_layout() -> None:
    figure = _figure()
    with laid_out(figure):
        assert figure.get_layout_engine() is None
        places = [axes.get_position().bounds for axes in figure.axes]
        figure_bytes(figure, "svg", dpi="figure")
        assert [axes.get_position().bounds for axes in figure.axes] == places
    assert figure.get_layout_engine() is not None
