"""Notebooks as run: what is taken out so that the same inputs give the same bytes, and what is read from them."""

from __future__ import annotations

import ast
import json
from collections.abc import Iterator, Mapping
from typing import Any

from nbformat import NotebookNode

INJECTED = "injected-parameters"
PASSED = ("study", "season", "settings", "results")


def clean_notebook(executed: NotebookNode) -> NotebookNode:
    """A copy without times, random ids and other traces of the run itself."""
    notebook = NotebookNode(nbformat=4, nbformat_minor=5)
    metadata = executed.get("metadata", {})
    notebook.metadata = NotebookNode(
        {
            "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
        }
    )
    if "fishreport" in metadata:
        notebook.metadata["fishreport"] = metadata["fishreport"]
    notebook.cells = [_clean_cell(cell, number) for number, cell in enumerate(executed.cells, start=1)]
    return notebook


def _clean_cell(cell: NotebookNode, number: int) -> NotebookNode:
    kept: dict[str, Any] = {"cell_type": cell.cell_type, "id": f"cell-{number}", "metadata": {}, "source": cell.source}
    tags = list(cell.metadata.get("tags", []))
    if tags:
        kept["metadata"]["tags"] = tags
    if "fishreport" in cell.metadata:
        kept["metadata"]["fishreport"] = cell.metadata["fishreport"]
    if cell.get("attachments"):
        kept["attachments"] = cell.attachments
    if cell.cell_type == "code":
        kept["execution_count"] = cell.get("execution_count")
        kept["outputs"] = [_clean_output(output) for output in cell.get("outputs", [])]
    return NotebookNode(kept)


def _clean_output(output: NotebookNode) -> NotebookNode:
    kept = NotebookNode(output)
    if "metadata" in kept:
        kept["metadata"] = NotebookNode()
    kept.pop("transient", None)
    return kept


def is_notebook(value: Any) -> bool:
    """Whether JSON data have the shape of a notebook as `clean_notebook` gives it; quicker than validating it."""

    def is_output(output: Any) -> bool:
        if not isinstance(output, dict) or not isinstance(output.get("output_type"), str):
            return False
        return (
            isinstance(output.get("text", ""), str)
            if output["output_type"] == "stream"
            else isinstance(output.get("data", {}), dict)
        )

    def is_cell(cell: Any) -> bool:
        if not isinstance(cell, dict) or not isinstance(cell.get("source"), str) or not isinstance(cell.get("metadata"), dict):
            return False
        outputs, tags = cell.get("outputs", []), cell["metadata"].get("tags", [])
        known = cell.get("cell_type") in ("code", "markdown", "raw")
        return known and isinstance(tags, list) and isinstance(outputs, list) and all(map(is_output, outputs))

    if not isinstance(value, dict) or not isinstance(value.get("cells"), list) or not isinstance(value.get("metadata"), dict):
        return False
    return all(map(is_cell, value["cells"]))


def notebook_bytes(notebook: NotebookNode) -> bytes:
    """The notebook as a file: one fixed order and spelling."""
    return (json.dumps(notebook, ensure_ascii=False, sort_keys=True, indent=1) + "\n").encode()


def with_parameters(notebook: NotebookNode, season: int, settings: Mapping[str, Any]) -> NotebookNode:
    """The notebook as it is published: its parameters are those of this build, also when its work is of an earlier one."""
    lines = ["# Parameters", 'study = "../.."', f"season = {season!r}", f"settings = {dict(settings)!r}", 'results = ""']
    published = NotebookNode(notebook)
    published.cells = [
        NotebookNode({**cell, "source": "\n".join(lines)}) if INJECTED in cell.metadata.get("tags", []) else cell
        for cell in notebook.cells
    ]
    return published


def uses_parameters(notebook: NotebookNode) -> bool:
    """True when a cell uses what a build passes otherwise than to open the chapter; then all of it counts as read."""
    for cell in notebook.cells:
        if cell.cell_type != "code" or {INJECTED, "parameters"} & set(cell.metadata.get("tags", [])):
            continue
        try:
            tree = ast.parse(cell.source)
        except SyntaxError:  # a magic command: nobody knows what it does
            return True
        names = [node for node in ast.walk(tree) if isinstance(node, ast.Name) and node.id in PASSED]
        calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "open_chapter"]
        opening = [word.value for call in calls for word in call.keywords]
        if any(node not in opening for node in names):
            return True
    return False


def shown(notebook: NotebookNode, kind: str) -> Iterator[Any]:
    """The data of every output of the MIME type `kind`, in order."""
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            if kind in output.get("data", {}):
                yield output["data"][kind]


def code_cell_number(notebook: NotebookNode, index: int) -> int:
    """Number of a cell among the code cells that the notebook's author wrote, counted from 1."""
    cells = notebook.cells[: index + 1]
    return max(1, sum(cell.cell_type == "code" and INJECTED not in cell.metadata.get("tags", []) for cell in cells))
