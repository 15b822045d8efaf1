"""The live panel, moved through its widgets as a reader would, and its plain form."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from bs4 import BeautifulSoup

from fishreport.explore import explore, lessons
from fishreport.explore.panel import Panel

pytestmark = pytest.mark.filterwarnings("ignore:.*:DeprecationWarning:ipywidgets.*")


@pytest.fixture
def panel() -> Panel:
    return explore("recapture")


def page(panel: Panel) -> BeautifulSoup:
    return BeautifulSoup(panel._repr_mimebundle_()["text/html"], "html.parser")


def shown(panel: Panel) -> str:
    return panel._figure.value + panel._sentence.value + panel._table.value


@pytest.mark.parametrize("name", [taught.key for taught in lessons()])
def test_a_moved_control_changes_figure_and_numbers(name: str) -> None:
    panel = explore(name)
    before, view = shown(panel), panel.view
    slider = panel.controls[panel.lesson.controls[0].name]
    slider.value = slider.max
    assert panel.view is not view
    assert shown(panel) != before
    assert panel.view is not None and view is not None
    assert panel.view.figure.svg != view.figure.svg


def test_draw_again_keeps_the_water_and_draws_other_fish(panel: Panel) -> None:
    assert panel.view is not None
    first = panel.view
    panel.again.click()
    assert panel.view.shown[0].truth == first.shown[0].truth
    assert panel.view.shown[0].estimate != first.shown[0].estimate


def test_repeats_are_shown_and_go_when_a_control_is_moved(panel: Panel) -> None:
    panel.many.click()
    assert panel.repeats is not None
    assert panel.repeats.value.size == 200
    assert "of 200 intervals hold the truth" in panel._more.value
    panel.controls["lost"].value = 30
    assert panel.repeats is None
    assert panel._more.value == ""


def test_every_slider_has_a_named_field_beside_it(panel: Panel) -> None:
    rows = [child for child in panel.box.children if "fishreport-control" in getattr(child, "_dom_classes", ())]
    fields = {row.children[0].description: row.children for row in rows}
    assert list(fields) == [control.label for control in panel.lesson.controls]
    for field, slider in fields.values():
        assert (field.value, field.min, field.max) == (slider.value, slider.min, slider.max)


def test_a_study_of_ones_own_and_back(repository: Path) -> None:
    panel = explore("removal")
    panel.study.value = str(repository / "demo_inputs")
    assert "Pellamy" in panel._figure.value
    assert "truth" not in panel._sentence.value
    assert panel.controls["passes"].disabled and not panel.controls["method"].disabled
    assert panel.again.disabled
    assert list(panel.species.options) == ["brown trout", "rainbow trout", "smallmouth bass"]
    before = shown(panel)
    panel.controls["method"].value = "weighted"
    assert shown(panel) != before
    panel.species.value = "rainbow trout"
    assert "rainbow trout" in panel._figure.value
    panel.repeat()
    assert "Nobody knows the truth" in panel._more.value
    panel.study.value = ""
    assert "the truth is" in panel._sentence.value
    assert not panel.controls["passes"].disabled


@pytest.mark.parametrize(("path", "told"), [("/no/such/study", "no study here"), ("{tmp}", "no study here")])
def test_a_wrong_path_is_told_in_a_sentence(path: str, told: str, tmp_path: Path, panel: Panel) -> None:
    panel.study.value = path.replace("{tmp}", str(tmp_path))
    assert told in panel._sentence.value
    assert panel._figure.value == ""
    assert panel.view is None
    panel.study.value = ""
    assert panel.view is not None


def test_a_study_that_lacks_the_data_says_what(repository: Path, panel: Panel) -> None:
    panel.study.value = str(repository / "demo_inputs")
    panel.species.value = "smallmouth bass"
    assert "no census of smallmouth bass" in panel._sentence.value


def test_without_a_kernel_the_panel_is_a_readable_page(panel: Panel) -> None:
    bundle: dict[str, Any] = panel._repr_mimebundle_()
    assert "application/vnd.jupyter.widget-view+json" in bundle
    found = page(panel)
    drawing = found.find("svg")
    assert drawing is not None
    assert drawing["role"] == "img"
    assert panel.view is not None
    assert drawing["aria-label"] == panel.view.figure.alt
    table = found.find("table")
    assert table is not None and table.caption is not None
    assert all(cell["scope"] in ("row", "col") for cell in table.find_all("th"))
    assert found.select("ul.settings li")[0].get_text() == "True population (fish): 1000"
    assert bundle["text/plain"] == panel.view.sentence


def test_two_drawings_in_one_page_share_no_id(panel: Panel) -> None:
    panel.repeat(20)
    ids = [tag["id"] for tag in page(panel).find_all(id=True)]
    assert len(ids) == len(set(ids))
