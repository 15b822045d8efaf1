"""A reader's session: lessons opened by the command in JupyterLab, run, and moved by the keyboard in Chromium."""

from __future__ import annotations

import contextlib
import json
import os
import re
import secrets
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from fishreport.explore.notebooks import copy_notebook
from fishreport.explore.pages import write_pages

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PATIENCE = 120_000  # ms; the machine may be busy
VISITED = ("catch-rate", "recapture", "bootstrap")


@dataclass(frozen=True)
class Lab:
    """A JupyterLab that the command started."""

    address: str
    token: str
    folder: Path

    def url(self, method: str) -> str:
        return f"{self.address}/lab/tree/{method}.ipynb?token={self.token}&reset"


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _answers(url: str) -> bool:
    with contextlib.suppress(OSError), urllib.request.urlopen(url, timeout=2) as answer:
        return bool(answer.status == 200)
    return False


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """One server for all lessons, started by `fishreport explore`, with settings, run-time files and token of its own."""
    home, folder = tmp_path_factory.mktemp("home"), tmp_path_factory.mktemp("work") / "explore"
    port, token = _free_port(), secrets.token_hex(16)
    settings = {
        "ServerApp": {"port": port, "port_retries": 0, "allow_root": True},  # root: in containers there is no other user
        "IdentityProvider": {"token": token},
    }
    (home / "jupyter_server_config.json").write_text(json.dumps(settings), encoding="utf-8")
    environment = os.environ | {
        "JUPYTER_CONFIG_DIR": str(home),
        "JUPYTER_DATA_DIR": str(home / "data"),
        "JUPYTER_RUNTIME_DIR": str(home / "runtime"),
        "JUPYTERLAB_SETTINGS_DIR": str(home / "settings"),
        "JUPYTERLAB_WORKSPACES_DIR": str(home / "workspaces"),
        "IPYTHONDIR": str(home / "ipython"),
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }
    for method in VISITED[1:]:
        copy_notebook(method, folder)
    call = [sys.executable, "-m", "fishreport", "explore", VISITED[0], "--folder", str(folder), "--no-browser"]
    with (home / "log").open("wb") as log:
        process = subprocess.Popen(call, env=environment, stdout=log, stderr=log, start_new_session=True)
    address = f"http://127.0.0.1:{port}"
    try:
        deadline = time.monotonic() + 90
        while not _answers(f"{address}/api/status?token={token}"):
            if process.poll() is not None or time.monotonic() > deadline:
                pytest.fail(f"JupyterLab did not answer: {(home / 'log').read_text(encoding='utf-8', errors='replace')[-2000:]}")
            time.sleep(0.5)
        assert f"{address}/lab/tree/{VISITED[0]}.ipynb?token=" in (home / "log").read_text(encoding="utf-8", errors="replace")
        yield Lab(address, token, folder)
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGTERM)
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


class Visit:
    """One lesson in the browser."""

    def __init__(self, chromium: Any, lab: Lab, method: str) -> None:
        self.asked: list[str] = []
        self.page = chromium.new_page(viewport={"width": 1280, "height": 1100})
        self.page.set_default_timeout(PATIENCE)
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(lab.url(method))
        self.page.locator(".jp-NotebookPanel .jp-Cell").first.wait_for()

    def answer_no(self) -> None:
        """JupyterLab's own question about news."""
        for button in self.page.get_by_role("button", name="No", exact=True).all():
            button.click()

    def run_all(self) -> None:
        self.page.get_by_text("Python 3 (ipykernel) | Idle").wait_for()  # before that, JupyterLab asks for a kernel
        self.answer_no()
        self.page.get_by_role("menuitem", name="Run", exact=True).click()
        self.page.locator(".lm-Menu-item", has_text="Run All Cells").first.click()
        self.lesson.first.wait_for(state="attached")
        self.page.wait_for_function("document.querySelectorAll('.fishreport-lesson svg[role=img]').length > 0")
        self.page.wait_for_function("![...document.querySelectorAll('.jp-InputPrompt')].some(p => p.innerText.includes('*'))")
        self.bring_into_sight()

    def bring_into_sight(self) -> None:
        """JupyterLab follows the cell that runs, and hides what is far from it."""
        self.page.evaluate("document.querySelector('.fishreport-lesson').scrollIntoView()")
        self.lesson.locator("svg[role=img]").first.wait_for()

    @property
    def lesson(self) -> Any:
        return self.page.locator(".fishreport-lesson")

    @property
    def sentence(self) -> str:
        return str(self.lesson.locator("p[role=status]").first.inner_text())

    @property
    def drawing(self) -> str:
        return str(self.lesson.locator("svg[role=img]").first.get_attribute("aria-label"))

    def change(self, act: Any) -> tuple[str, str]:
        """Do something; returns sentence and drawing once they are others than before."""
        before = self.sentence
        act()
        self.page.wait_for_function(
            "before => document.querySelector('.fishreport-lesson p[role=status]').innerText !== before", arg=before
        )
        return self.sentence, self.drawing

    def slide(self, label: str, key: str, times: int = 1) -> None:
        named = self.page.locator(".widget-label", has_text=re.compile(f"^{re.escape(label)}$"))
        row = self.lesson.locator(".fishreport-control", has=named)
        row.locator("[role=slider]").focus()
        for _ in range(times):
            self.page.keyboard.press(key)


@pytest.fixture(scope="module")
def visits(chromium: Any, lab: Lab) -> Iterator[dict[str, Visit]]:
    opened: dict[str, Visit] = {}
    for method in VISITED:
        opened[method] = Visit(chromium, lab, method)
        opened[method].run_all()
    yield opened
    for visit in opened.values():
        visit.page.close()


@pytest.fixture(scope="module")
def plain_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A lesson as a page for readers without a kernel."""
    return write_pages(tmp_path_factory.mktemp("plain"), ["recapture"])[1]


MOVES = {
    "catch-rate": ("Sites", "ArrowRight", "runs at 11 sites"),
    "recapture": ("True population (fish)", "ArrowRight", "1,050"),
    "bootstrap": ("Runs", "ArrowLeft", "in 11 runs"),
}


@pytest.mark.parametrize("method", VISITED)
def test_a_slider_moved_by_the_keyboard_changes_figure_and_numbers(method: str, visits: dict[str, Visit]) -> None:
    visit = visits[method]
    label, key, said = MOVES[method]
    old = visit.drawing
    sentence, _ = visit.change(lambda: visit.slide(label, key))
    visit.page.wait_for_function(  # the drawing comes after the sentence
        "old => document.querySelector('.fishreport-lesson svg[role=img]').getAttribute('aria-label') !== old", arg=old
    )
    drawing = visit.drawing
    assert sentence in drawing
    assert said in visit.lesson.inner_text() or said in drawing
    assert visit.lesson.locator("table tbody td").first.is_visible()
    pictures = os.environ.get("FISHREPORT_PICTURES")
    if pictures:
        visit.answer_no()
        visit.bring_into_sight()
        visit.page.screenshot(path=str(Path(pictures) / f"lab-{method}.png"))


def test_draw_again_and_repeat_by_the_keyboard(visits: dict[str, Visit]) -> None:
    visit = visits["recapture"]
    visit.change(lambda: visit.lesson.get_by_role("button", name="Draw again").press("Enter"))
    visit.lesson.get_by_role("button", name="Repeat 200 times").press("Enter")
    visit.lesson.get_by_text("of 200 intervals hold the truth").first.wait_for()
    assert "95% promised" in visit.lesson.inner_text()


def test_own_study_typed_into_the_field(visits: dict[str, Visit], repository: Path) -> None:
    visit = visits["catch-rate"]
    field = visit.lesson.locator("input[type=text][placeholder*='study.toml']")

    def type_path() -> None:
        field.fill(str(repository / "demo_inputs"))
        field.press("Enter")

    sentence, _ = visit.change(type_path)
    assert "truth" not in sentence
    assert visit.lesson.locator("select:visible").count() >= 1


def test_nothing_of_the_lesson_comes_from_elsewhere(visits: dict[str, Visit], lab: Lab) -> None:
    here = [url for visit in visits.values() for url in visit.asked]
    assert here
    elsewhere = [url for url in here if not url.startswith((lab.address, "data:", "blob:", "ws:"))]
    assert elsewhere == []


@pytest.mark.parametrize("width", [1280, 360])
def test_axe_finds_nothing_in_a_plain_page(width: int, chromium: Any, plain_page: Path) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = chromium.new_page(viewport={"width": width, "height": 900})
    page.goto(plain_page.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    page.close()


def test_the_package_s_own_notebooks_stay_as_they_are(lab: Lab, repository: Path) -> None:
    for method in VISITED:
        text = json.loads((repository / "notebooks" / "explore" / f"{method}.ipynb").read_text(encoding="utf-8"))
        assert all(cell.get("outputs", []) == [] for cell in text["cells"])
        assert (lab.folder / f"{method}.ipynb").exists()
