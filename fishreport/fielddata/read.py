"""Finding and reading the tables that a study names: text files, or the sheets of a workbook."""

from __future__ import annotations

from pathlib import Path

from fishreport.fielddata.faults import Faults
from fishreport.fielddata.grid import Grid, RawTable, make_table
from fishreport.fielddata.schema import TABLES, TableSchema
from fishreport.fielddata.text_file import read_text_file
from fishreport.fielddata.workbook import Workbook, open_workbook

NEEDED = ("runs", "fish")


def _read_sheets(study_folder: Path, workbook: str, named: dict[str, str | None], faults: Faults) -> dict[str, RawTable]:
    tables: dict[str, RawTable] = {}
    with open_workbook(study_folder / workbook, workbook, faults) as book:
        for name, schema in TABLES.items():
            if not book.titles:
                break
            wanted = named[name]
            title = book.find(wanted or name)
            if title is None:
                if wanted is not None:
                    _no_sheet(book, name, wanted, faults)
                continue
            grid = book.grid(title, schema, faults)
            table = make_table(grid, schema, faults) if grid else None
            if table is not None and (len(table.cells) or name in NEEDED or wanted is not None):
                tables[name] = table
    return tables


def _no_sheet(book: Workbook, name: str, wanted: str, faults: Faults) -> None:
    message = f"the workbook has no sheet for the {name} table; its sheets are {', '.join(book.titles)}"
    faults.add(
        "missing_file",
        name,
        message,
        f"name a sheet {Path(wanted).stem}, give its name by [data] {name}, or take that line out",
        file=book.file,
    )


def _read_file(path: Path, file: str, schema: TableSchema, faults: Faults) -> Grid | None:
    if path.suffix.lower() in (".xlsx", ".xlsm"):
        with open_workbook(path, file, faults) as book:
            titles = book.titles
            title = book.find(schema.name) or (titles[0] if len(titles) == 1 else None)
            if title is None and titles:
                _no_sheet(book, schema.name, schema.name, faults)
            return book.grid(title, schema, faults) if title else None
    return read_text_file(path, schema, file, faults)


def read_table(path: Path, name: str, faults: Faults, *, file: str = "") -> RawTable | None:
    """One table from a text file or a workbook; None when it cannot be read (then `faults` has an error that says why)."""
    schema = TABLES[name]
    file = file or path.name
    if not path.is_file():
        message = f"the file of the {name} table is not there"
        faults.add("missing_file", name, message, f"put it there, or change [data] {name} in the study file", file=file)
        return None
    grid = _read_file(path, file, schema, faults)
    return make_table(grid, schema, faults) if grid is not None else None


def read_tables(folder: Path, named: dict[str, str | None], workbook: str | None, faults: Faults) -> dict[str, RawTable]:
    """All tables of a study, by name; what cannot be read is not among them (then `faults` has an error that says why).

    Parameters
    ----------
    folder : Path
        The study folder.
    named : dict
        Table → file inside the folder (or sheet of the workbook); None where the study names none.
    workbook : str | None
        An .xlsx inside the folder that holds a sheet for each table; sheets of the tables' own names are read unnamed.
    """
    if workbook:
        return _read_sheets(folder, workbook, named, faults)
    tables: dict[str, RawTable] = {}
    for name in TABLES:
        file = named[name]
        if file is None:
            if (folder / f"{name}.csv").is_file():
                message = f"{name}.csv lies in the study folder and is not read"
                advice = f'write {name} = "{name}.csv" under [data] to read it'
                faults.add("table_not_named", name, message, advice, file=f"{name}.csv")
            continue
        table = read_table(folder / file, name, faults, file=file)
        if table is not None:
            tables[name] = table
    return tables
