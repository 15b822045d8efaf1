"""Every exception of the package. This module imports nothing of ours; every exception survives pickling."""

from __future__ import annotations


class FishreportError(Exception):
    """Base of all expected failures; its text is one sentence a user can act on."""

    exit_code = 1


class UsageError(FishreportError):
    """The call is wrong: an unknown option, method, chapter or a value that cannot be used."""

    exit_code = 2


class StudyError(FishreportError):
    """The study file is at fault.

    Parameters
    ----------
    message : str
        What is wrong, what is allowed, what was found, and what to do.
    file : str
        The study file, for the reader.
    key : str
        Dotted path of the key at fault, or empty.
    """

    def __init__(self, message: str, file: str = "", key: str = "") -> None:
        super().__init__(message, file, key)
        self.message, self.file, self.key = message, file, key

    def __str__(self) -> str:
        where = ": ".join(part for part in (self.file, self.key) if part)
        return f"{where}: {self.message}" if where else self.message


class DataError(FishreportError):
    """A field-data table is at fault.

    Parameters
    ----------
    message : str
        What is wrong and what to do.
    file, column, value : str
        Where it stands; empty when it concerns the whole file.
    row : int | None
        Line in the file (the header is line 1), or None.
    """

    def __init__(self, message: str, file: str = "", row: int | None = None, column: str = "", value: str = "") -> None:
        super().__init__(message, file, row, column, value)
        self.message, self.file, self.row, self.column, self.value = message, file, row, column, value

    def __str__(self) -> str:
        parts = [self.file] if self.file else []
        if self.row is not None:
            parts.append(f"row {self.row}")
        if self.column:
            parts.append(f"column {self.column}")
        if self.value:
            parts.append(f"value {self.value!r}")
        where = ", ".join(parts)
        return f"{where}: {self.message}" if where else self.message


class StandardError(FishreportError):
    """A published standard is asked for outside its limits of use, or does not exist."""


class InputError(FishreportError, ValueError):
    """An estimator was called with impossible input (it names the argument, what is allowed and what it got)."""


class ChapterError(FishreportError):
    """A chapter failed while it ran.

    Parameters
    ----------
    chapter : str
        Name of the chapter, such as ``02-abundance``.
    cell : int | None
        Number of the code cell that failed, counted from 1.
    reason : str
        The failure in one sentence.
    notebook : str
        Where the notebook as run lies.
    """

    exit_code = 3

    def __init__(self, chapter: str, cell: int | None, reason: str, notebook: str = "") -> None:
        super().__init__(chapter, cell, reason, notebook)
        self.chapter, self.cell, self.reason, self.notebook = chapter, cell, reason, notebook

    def __str__(self) -> str:
        cell = f", cell {self.cell}" if self.cell is not None else ""
        notebook = f" (the notebook as run: {self.notebook})" if self.notebook else ""
        return f"chapter {self.chapter}{cell}: {self.reason}{notebook}"


class ReportError(FishreportError):
    """The report could not be assembled, rendered or put in place; or what should be a finished one cannot be read as such."""
