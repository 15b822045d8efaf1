"""The live panel of a lesson: controls on the left of nothing but the library; every change draws and estimates anew."""

from __future__ import annotations

import time
from html import escape
from typing import Any

import ipywidgets as widgets

from fishreport.exceptions import FishreportError
from fishreport.explore.html import figure_html, repeats_html, sentence_html, table_html, view_html
from fishreport.explore.lesson_parts import Choice, Lesson, Sample, Slider
from fishreport.explore.own_study import OwnStudy, open_own_study
from fishreport.explore.repeats import Repeats, repeat
from fishreport.explore.view import View, look

TIMES = 200
_WORDS = {"description_width": "24em"}
_WIDE = {"width": "min(46em, 98%)"}


def _whole(control: Slider) -> bool:
    return all(float(number).is_integer() for number in (control.low, control.high, control.step, control.value))


def _widget(control: Slider | Choice) -> Any:
    """The widget that holds the value of a control."""
    if isinstance(control, Choice):
        layout = widgets.Layout(**_WIDE)
        return widgets.Dropdown(
            options=list(control.options), value=control.value, description=control.label, style=_WORDS, layout=layout
        )
    kind = int if _whole(control) else float
    make = widgets.IntSlider if _whole(control) else widgets.FloatSlider
    low, high, step, value = (kind(number) for number in (control.low, control.high, control.step, control.value))
    return make(min=low, max=high, step=step, value=value, readout=False, layout=widgets.Layout(width="16em"))


def _row(control: Slider | Choice, held: Any) -> Any:
    """A control as it stands in the panel.

    A slider has a field for its number beside it, which carries the label: the handle of a slider has no name of its own that a
    screen reader could read out.
    """
    if isinstance(control, Choice):
        return held
    make = widgets.BoundedIntText if _whole(control) else widgets.BoundedFloatText
    field = make(
        value=held.value, min=held.min, max=held.max, step=held.step, description=control.label, style=_WORDS,
        layout=widgets.Layout(width="30em"),
    )  # fmt: skip
    widgets.jslink((held, "value"), (field, "value"))
    widgets.jslink((held, "disabled"), (field, "disabled"))
    row = widgets.HBox([field, held], layout=widgets.Layout(flex_flow="row wrap"))
    row.add_class("fishreport-control")
    return row


class Panel:
    """Controls, figure, table and sentence of a lesson; shows itself in a notebook, live or as plain HTML.

    Attributes
    ----------
    lesson : Lesson
    view : View or None
        What is shown now; None while the reader's study cannot be used.
    repeats : Repeats or None
        The last repeats; a moved control clears them.
    controls : dict of str to widget
        By the name of the setting.
    """

    def __init__(self, lesson: Lesson, *, study: str = "", seed: int = 1) -> None:
        self.lesson, self.seed = lesson, seed
        self.view: View | None = None
        self.repeats: Repeats | None = None
        self._own: Sample | None = None
        self.controls = {control.name: _widget(control) for control in lesson.controls}
        self._sentence, self._figure, self._table, self._more = (widgets.HTML() for _ in range(4))
        layout = widgets.Layout(width="auto")
        self.again = widgets.Button(description="Draw again", tooltip="Another survey of the same water", layout=layout)
        words = f"Repeat {TIMES} times ({lesson.repeat_seconds}): how often does the interval hold the truth?"
        self.many = widgets.Button(description=words, tooltip=words, layout=layout)
        self.study = widgets.Text(
            value=study, description="Your own study (folder); empty: simulated", continuous_update=False, style=_WORDS,
            placeholder="path of a folder with study.toml", layout=widgets.Layout(**_WIDE),
        )  # fmt: skip
        self.species = widgets.Dropdown(
            options=[], description="Species", style=_WORDS, layout=widgets.Layout(**_WIDE, display="none")
        )
        rows = [_row(control, self.controls[control.name]) for control in lesson.controls]
        self.box = widgets.VBox(
            [*rows, widgets.HBox([self.again, self.many]), self.study, self.species,
             self._sentence, self._figure, self._table, self._more]
        )  # fmt: skip
        self.box.add_class("fishreport-lesson")
        for widget in self.controls.values():
            widget.observe(lambda change: self.refresh(), names="value")
        self.again.on_click(lambda button: self.draw_again())
        self.many.on_click(lambda button: self.repeat())
        self.study.observe(lambda change: self._open(), names="value")
        self.species.observe(lambda change: self._open(), names="value")
        if study:
            self._open()
        else:
            self.refresh()

    @property
    def settings(self) -> dict[str, Any]:
        """Where the controls stand."""
        return self.lesson.settings(**{name: widget.value for name, widget in self.controls.items()})

    def refresh(self) -> None:
        """Draw and estimate anew with the controls as they stand."""
        settings = self.settings
        try:
            sample = self._own if self._own is not None else self.lesson.sample(seed=self.seed, **settings)
            self.view = look(self.lesson, sample, settings)
        except FishreportError as error:
            self._fail(error)
            return
        self._sentence.value = sentence_html(self.view.sentence)
        self._figure.value = figure_html(self.view.figure)
        self._table.value = table_html(self.view.table)
        self._more.value, self.repeats = "", None

    def draw_again(self) -> None:
        """Another survey of the same water."""
        self.seed += 1
        self.refresh()

    def repeat(self, times: int = TIMES) -> None:
        """Repeat the survey, and show how often the interval holds the truth."""
        if self._own is not None:
            self._more.value = sentence_html("Nobody knows the truth of your own water: repeats are for the simulated one.")
            return
        begun = time.monotonic()

        def tell(done: int) -> None:
            if time.monotonic() - begun > 0.5:
                self._more.value = f'<p role="status">{done} of {times} surveys …</p>'

        self.repeats = repeat(self.lesson, self.settings, times=times, seed=1000 + self.seed, progress=tell)
        self._more.value = repeats_html(self.repeats)

    def _fail(self, error: FishreportError) -> None:
        self.view = None
        self._sentence.value = sentence_html(str(error))
        self._figure.value = self._table.value = self._more.value = ""

    def _enable(self) -> None:
        for control in self.lesson.controls:
            self.controls[control.name].disabled = self._own is not None and control.side == "sample"
        self.again.disabled = self.many.disabled = self._own is not None

    def _offer(self, own: OwnStudy | None) -> None:
        self.species.layout.display = "none" if own is None else ""
        if own is not None and tuple(self.species.options) != own.species:
            self.species.unobserve_all("value")
            self.species.options, self.species.value = own.species, own.classes.species.name
            self.species.observe(lambda change: self._open(), names="value")

    def _open(self) -> None:
        """The reader's study, or back to the simulated water when the field is empty."""
        path = self.study.value.strip()
        if not path:
            self._own = None
            self._offer(None)
            self._enable()
            self.refresh()
            return
        try:
            own = open_own_study(path, species=str(self.species.value or "") if self.species.options else "")
            self._offer(own)
            self._own = self.lesson.own(own)
        except FishreportError as error:
            self._own = None
            self._enable()
            self._fail(error)
            return
        self._enable()
        self.refresh()

    def _plain(self) -> str:
        """What the panel shows, without controls, for readers without a live kernel."""
        rows = "".join(
            f"<li>{escape(control.label)}: {escape(str(self.controls[control.name].value))}</li>"
            for control in self.lesson.controls
        )
        shown = view_html(self.view) if self.view is not None else self._sentence.value
        more = repeats_html(self.repeats) if self.repeats is not None else ""
        return f'<p>Set to:</p><ul class="settings">{rows}</ul>{shown}{more}'

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        bundle: Any = self.box._repr_mimebundle_(include=include, exclude=exclude)
        data = dict(bundle[0] if isinstance(bundle, tuple) else bundle)
        data["text/html"] = self._plain()
        data["text/plain"] = self.view.sentence if self.view is not None else f"{self.lesson.title}: nothing to show"
        return data
