"""The lessons as plain pages for readers without a live kernel: run once, then text, code, figures and tables as HTML."""

from __future__ import annotations

import asyncio
import json
import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from html import escape
from pathlib import Path
from typing import Any

from fishreport.exceptions import ReportError, UsageError
from fishreport.explore.catalogue import LINES, known
from fishreport.explore.notebooks import notebook_path, with_study
from fishreport.report.kernels import Kernels
from fishreport.report.prose import Levels, read_prose
from fishreport.report.prose_writers import Place, write_html
from fishreport.resources import locate

GENERATOR = '<meta name="generator" content="fishreport explore">'
CELL_SECONDS = 300
MOST_AT_ONCE = 4


def _run(notebook: Any, kernels: Kernels, name: str) -> Any:
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError

    client = NotebookClient(
        notebook, km=kernels.manager(), timeout=CELL_SECONDS, startup_timeout=90, iopub_timeout=120, store_widget_state=False
    )
    try:
        asyncio.run(client.async_execute(cleanup_kc=True, **kernels.start_arguments()))
    except CellExecutionError as error:
        raise ReportError(f"the lesson {name} failed: {error.ename}: {error.evalue}") from None
    return notebook


def run_notebook(method: str, kernels: Kernels, *, study: str = "") -> Any:
    """The lesson's notebook with its outputs; the copy in the package stays as it is."""
    import nbformat

    name = known(method)
    given = json.loads(notebook_path(name).read_text(encoding="utf-8"))
    if study:
        given = with_study(given, str(Path(study).expanduser().resolve()))
    return _run(nbformat.reads(json.dumps(given), as_version=4), kernels, name)


def _output_html(output: Any) -> str:
    if output["output_type"] == "stream":
        return f'<pre class="printed" tabindex="0" role="group" aria-label="Printed output">{escape(output["text"])}</pre>'
    data = output.get("data", {})
    if "text/html" in data:
        return str(data["text/html"])
    return f'<pre class="printed" tabindex="0" role="group" aria-label="Output">{escape(data.get("text/plain", ""))}</pre>'


def _body(notebook: Any, name: str) -> str:
    levels = Levels()
    levels.enter(1)
    place = Place(where=f"the lesson {name}", resolve=lambda kind, label: ("", label), images=Path(), levels=levels)
    parts = []
    for number, cell in enumerate(notebook.cells):
        if cell.cell_type == "markdown":
            title, _, rest = cell.source.partition("\n")
            if number == 0 and title.startswith("# "):
                parts.append(f"<h2>{escape(title[2:])}</h2>")
                parts.append(write_html(read_prose(rest, place.where), place))
            else:
                parts.append(write_html(read_prose(cell.source, place.where), place))
            continue
        label = f"Code of cell {number + 1}"
        parts.append(f'<pre tabindex="0" role="group" aria-label="{label}"><code>{escape(cell.source)}</code></pre>')
        parts += [_output_html(output) for output in cell.outputs if output["output_type"] != "error"]
    return "\n".join(parts)


def _contents(here: str, names: Sequence[str], titles: dict[str, str]) -> str:
    items = []
    for number, name in enumerate(names, start=1):
        current = ' aria-current="page"' if name == here else ""
        words = f'<span class="number">{number}</span> <span>{escape(titles[name])}</span>'
        items.append(f'<li><a href="{name}.html"{current}>{words}</a></li>')
    return f'<nav class="contents" aria-label="Lessons"><ol>{"".join(items)}</ol></nav>'


def _page(title: str, contents: str, body: str) -> str:
    css = (locate("templates") / "html" / "style.css").read_text(encoding="utf-8")
    css += "\n.layout { padding-top: 1rem; }\n.contents [aria-current] { font-weight: 700; }\n.settings { font-size: 0.9rem; }\n"
    css += "main h3 { margin-top: 2rem; }\n.printed { white-space: pre-wrap; }\n"
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
{GENERATOR}
<title>{escape(title)}</title>
<style>
{css}</style>
</head>
<body>
<a class="skip" href="#lesson">Skip to the lesson</a>
<header class="banner"><h1>Explore the methods</h1></header>
<div class="layout">
{contents}
<main id="lesson" tabindex="-1">
{body}
</main>
</div>
</body>
</html>
"""


def _index(names: Sequence[str], titles: dict[str, str]) -> str:
    rows = "".join(f'<li><a href="{name}.html">{escape(titles[name])}</a>: {escape(LINES[name])}.</li>' for name in names)
    text = "Each lesson draws surveys of a water whose truth is known, and holds the estimate against it. "
    text += "For controls that move, run"
    return f"<h2>Lessons</h2><p>{text} <code>fishreport explore METHOD</code>.</p><ol>{rows}</ol>"


def write_pages(folder: str | Path, methods: Sequence[str] = (), *, study: str = "") -> list[Path]:
    """Run lessons and write each as a page that needs nothing else, with an index.

    Parameters
    ----------
    folder : str or Path
        Is made when it does not exist. A file of the same name that is no such page is never written over.
    methods : sequence of str
        All lessons when empty.
    study : str
        Folder of a study to begin with instead of the simulated water.

    Returns
    -------
    list of Path
        The index first.

    Raises
    ------
    UsageError
        For an unknown method, or a file in the way.
    ReportError
        If a lesson fails; then nothing is written.
    """
    names = [known(method) for method in methods] or list(LINES)
    target = Path(folder).expanduser().resolve()
    wanted = {name: target / f"{name}.html" for name in ("index", *names)}
    for path in wanted.values():
        if path.exists() and GENERATOR not in path.read_text(encoding="utf-8", errors="replace")[:2000]:
            raise UsageError(f"{path} is in the way and was not made here; name another folder")
    kernels = Kernels()
    try:
        with ThreadPoolExecutor(max_workers=min(os.cpu_count() or 1, MOST_AT_ONCE)) as pool:
            ran = list(pool.map(lambda name: run_notebook(name, kernels, study=study), names))
    finally:
        kernels.close()
    notebooks = dict(zip(names, ran, strict=True))
    titles = {name: notebook.cells[0].source.partition("\n")[0].removeprefix("# ") for name, notebook in notebooks.items()}
    texts = {"index": _page("Explore the methods", _contents("", names, titles), _index(names, titles))}
    for name, notebook in notebooks.items():
        texts[name] = _page(f"{titles[name]}: explore the methods", _contents(name, names, titles), _body(notebook, name))
    try:
        target.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            wanted[name].write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise UsageError(f"{target} cannot be written ({error.strerror}); name another folder") from None
    return list(wanted.values())
