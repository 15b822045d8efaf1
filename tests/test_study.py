"""The study file: what a person can get wrong in it, said in plain words."""

from __future__ import annotations

import contextlib
import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fishreport.exceptions import FishreportError, StudyError
from fishreport.study import CHAPTERS, Study, describe_study, parse_setting, parse_size_range, read_study, species_key

GOOD = """
[water]
name = "Alder Tailwater"
[season]
year = 2025
[species.BNT]
name = "brown trout"
"""


@pytest.fixture
def write(tmp_path):
    def make(text: str | bytes):
        data = text if isinstance(text, bytes) else text.encode()
        (tmp_path / "study.toml").write_bytes(data)
        return tmp_path

    return make


def fault(folder, **options) -> StudyError:
    with pytest.raises(StudyError) as caught:
        read_study(folder, **options)
    return caught.value


def test_a_small_study_reads_with_defaults(write):
    study = read_study(write(GOOD))
    assert study.folder.is_absolute() and study.parameters.level == 0.95 and study.report.chapters == CHAPTERS
    assert study.find_species("BNT") is study.find_species("Brown trout") is study.species["BNT"]
    assert read_study(study.folder / "study.toml").water.name == "Alder Tailwater"
    assert read_study(write(b"\xef\xbb\xbf" + GOOD.encode())).water.name == "Alder Tailwater"


@pytest.mark.parametrize(
    ("extra", "key", "words"),
    [
        ("[parameters]\nlevle = 0.9", "parameters.levle", "did you mean 'level'"),
        ("[watr]\nname = 'x'", "watr", "did you mean 'water'"),
        ("[parameters]\nxyzzy = 1", "parameters.xyzzy", "known keys here: level, seed"),
        ("[species.RBT]\nnam = 'rainbow trout'\nname = 'rainbow trout'", "species.RBT.nam", "did you mean 'name'"),
        ("[species.RBT.life_history]\nsteepnes = 0.7", "species.RBT.life_history.steepnes", "did you mean 'steepness'"),
        ("[[scenarios]]\nname = 'a'\n[scenarios.stocking]\nmoth = 4", "scenarios.0.stocking.moth", "did you mean 'month'"),
        ("[parameters]\nlevel = '0.9'", "parameters.level", "must be a number; got '0.9'"),
        ("[parameters]\nlevel = true", "parameters.level", "must be a number; got true"),
        ("[parameters]\nlevel = 1.5", "parameters.level", "must be below 1; got 1.5"),
        ("[parameters]\nlevel = nan", "parameters.level", "must be a finite number; got nan"),
        ("[parameters]\nbin_mm = inf", "parameters.bin_mm", "must be a finite number; got inf"),
        ("[parameters]\nseed = 1.5", "parameters.seed", "must be a whole number"),
        ("[parameters]\nseed = -1", "parameters.seed", "must be at least 0; got -1"),
        ("[parameters]\nresamples = 99999999999999999999", "parameters.resamples", "must be at most 100000"),
        ("[parameters]\nlevel = [0.9]", "parameters.level", "must be a number"),
        ("[report]\nunits = 'imperial'", "report.units", "must be one of metric, us; got 'imperial'"),
        ("[report]\ntitle = 5", "report.title", "must be text in quotation marks; got 5"),
        ("[report]\nchapters = 'season'", "report.chapters", "must be a list in square brackets"),
        ("report = 5", None, "section"),
        ("[[scenarios]]\nname = 'a'\nrelease_only = 'yes'", "scenarios.0.release_only", "must be true or false"),
        ("[[scenarios]]\nname = 'a'\nharvest_slot_mm = [300]", "scenarios.0.harvest_slot_mm.1", "too short"),
        ("[[scenarios]]\nname = 'a'\nharvest_slot_mm = [300, 400, 500]", "scenarios.0.harvest_slot_mm", "at most 2 items"),
        ("[[scenarios]]\nname = 'a'\nharvest_slot_mm = [500, 300]", "scenarios.0", "harvest_slot_mm"),
        ("[[scenarios]]\nname = 'a'\nclosed_months = [13]", "scenarios.0.closed_months.0", "must be at most 12"),
        ("[[scenarios]]\nname = 'a'\n[[scenarios]]\nname = 'a'", "", "two scenarios have the same name"),
        ("[[scenarios]]\nname = 'a'\nspecies = 'XYZ'", "", "no species 'XYZ'"),
        (
            "[[objectives]]\nspecies = 'BNT'\nquantity = 'catch_rat'\nat_least = 5",
            "objectives.0.quantity",
            "did you mean 'catch_rate'",
        ),
        (
            "[[objectives]]\nspecies = 'BNT'\nquantity = 'catch_rate'",
            "objectives.0",
            "exactly one of at_least, at_most, between; got none",
        ),
        (
            "[[objectives]]\nspecies = 'BNT'\nquantity = 'catch_rate'\nat_least = 1\nat_most = 2",
            "objectives.0",
            "got at_least, at_most",
        ),
        (
            "[[objectives]]\nspecies = 'BNT'\nquantity = 'catch_rate'\nbetween = [2, 1]",
            "objectives.0",
            "a lower and a higher number",
        ),
        (
            "[[objectives]]\nspecies = 'BNT'\nquantity = 'catch_rate'\nat_least = 1\nsize_class = 'big'",
            "objectives.0.size_class",
            "'big'",
        ),
        ("[[set_aside.fish]]\nrow = 1\nreason = 'mistyped'", "set_aside.fish.0.row", "must be at least 2"),
        ("[[set_aside.fish]]\nreason = 'mistyped'", "set_aside.fish.0", "name the row"),
        ("[[set_aside.fish]]\nrow = 5\nreason = 'no'", "set_aside.fish.0.reason", "at least 5 characters"),
        ("[species.B2]\nname = 'Brown Trout'", "", "two species have the same name"),
    ],
)
def test_a_fault_is_named_with_its_key_in_plain_words(write, extra, key, words):
    text = f"{extra}\n{GOOD}" if key is None else f"{GOOD}\n{extra}"
    error = fault(write(text))
    assert words in str(error)
    if key is not None and "faults" not in error.message:
        assert error.key == key
    for jargon in ("pydantic", "validation", "Input should", "type=", "instance of", "dictionary", "tuple"):
        assert jargon not in str(error)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "water: this key is required"),
        ("[water]\nname = 'x'\n[season]\nyear = 2025\n[species]\n", "species: must have at least 1 item"),
        ("[water]\nname = ''\n[season]\nyear = 2025\n[species.B]\nname = 'brown trout'\n", "must not be empty"),
        ("[water\n", "not readable as TOML"),
        ("[water]\nname = 'a'\nname = 'b'\n", "a key stands twice"),
        ("[water]\nname = 'a'\n[water]\nkind = 'b'\n", "a section stands twice"),
        ("[water]\nname = Alder\n", "text is not in quotation marks"),
        ("[water]\nname\n", "an equals sign is missing"),
        ("x = " + "[" * 20_000 + "]" * 20_000, "nested too deep"),
        ("[water]\nname = 'caf\xe9'\n".encode("latin-1"), "not UTF-8"),
        (GOOD.encode("utf-16"), "not UTF-8"),
        (b"\0\0\0", "not readable as TOML"),
        ("#" * 2_100_000, "larger than 2 MB"),
    ],
)
def test_a_file_that_is_no_study(write, text, words):
    assert words in str(fault(write(text)))


def test_all_faults_are_told_at_once(write):
    error = fault(write(GOOD + "[parameters]\nlevle = 1\nseed = -1\n[report]\nunits = 'x'\n"))
    assert "3 faults" in str(error)
    for key in ("parameters.levle", "parameters.seed", "report.units"):
        assert key in str(error)


def test_no_study_here(tmp_path):
    assert "fishreport new" in str(fault(tmp_path))
    assert "fishreport new" in str(fault(tmp_path / "absent"))
    assert isinstance(fault("a\0b"), StudyError)


@pytest.mark.parametrize("path", ["../runs.csv", "/etc/passwd", "a/../../runs.csv", "link/runs.csv", "a\\u0000b"])
def test_data_lie_inside_the_study_folder(write, tmp_path, path):
    folder = tmp_path / "inside"
    folder.mkdir()
    (folder / "link").symlink_to(tmp_path)
    (folder / "study.toml").write_text(f'{GOOD}\n[data]\nruns = "{path}"\n', encoding="utf-8")
    error = fault(folder)
    assert error.key == "data.runs" and "inside the study folder" in error.message


def test_links_in_a_circle_are_no_traceback(write, tmp_path):
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with contextlib.suppress(StudyError):  # Python 3.13 resolves such a link, and the file is then missing
        read_study(write(f'{GOOD}\n[data]\nruns = "loop/runs.csv"\n'))


def test_narrative_and_workbook_lie_inside_too(write):
    assert fault(write(f'{GOOD}\n[data]\nworkbook = "../field.xlsx"\n')).key == "data.workbook"
    assert fault(write(f'{GOOD}\n[report]\nnarrative = ".."\n')).key == "report.narrative"
    assert fault(write(f'{GOOD}\n[data]\nruns = ""\n')).key == "data.runs"
    assert "at most 1000 characters" in fault(write(f'{GOOD}\n[data]\nruns = "{"x" * 1001}"\n')).message


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("level=0.9", ("parameters.level", 0.9)),
        ("parameters.seed = 7", ("parameters.seed", 7)),
        ("report.title=Trout of the year", ("report.title", "Trout of the year")),
        ('report.title="5"', ("report.title", "5")),
        ("scenarios.0.release_only=true", ("scenarios.0.release_only", True)),
        ("season.months=[9, 10]", ("season.months", [9, 10])),
        ("report.author=", ("report.author", "")),
        ("name=a=b", ("name", "a=b")),
    ],
)
def test_settings_are_typed(text, expected):
    assert parse_setting(text) == expected


@pytest.mark.parametrize("text", ["level", "=5", "  "])
def test_a_setting_without_key_or_value(text):
    with pytest.raises(StudyError, match="KEY=VALUE"):
        parse_setting(text)


def test_settings_change_the_study_and_are_kept(write):
    folder = write(GOOD + "[[scenarios]]\nname = 'a'\n[[scenarios]]\nname = 'b'\n")
    study = read_study(folder, overrides={"parameters.level": 0.9, "scenarios.1.bag_limit": 2, "water.length_km": 4}, season=2020)
    assert study.parameters.level == 0.9 and study.scenarios[1].bag_limit == 2 and study.water.length_km == 4
    assert study.season.year == 2020 and study.written_year == 2025
    assert study.overrides == {"parameters.level": 0.9, "scenarios.1.bag_limit": 2, "water.length_km": 4, "season.year": 2020}


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ({"parameters.levle": 1}, "did you mean 'level'"),
        ({"scenarios.5.bag_limit": 1}, "count from 0"),
        ({"scenarios.x.bag_limit": 1}, "count from 0"),
        ({"water.name.first": "a"}, "water.name is a value"),
        ({"parameters.level": "high"}, "must be a number"),
        ({"season": 5}, "must be a section of keys"),
        ({"": 5}, "unknown key"),
        ({"minimum_length_mm": 200}, "a key of species.CODE and of scenarios.0"),
    ],
)
def test_wrong_settings(write, setting, words):
    assert words in str(fault(write(GOOD + "[[scenarios]]\nname = 'a'\n"), overrides=setting))


def test_size_ranges_and_species_keys():
    assert parse_size_range("330-610 mm") == (330, 610)
    assert parse_size_range("-330 mm") == (0, 330) and parse_size_range("610- mm") == (610, math.inf)
    assert parse_size_range("610-330 mm") is None and parse_size_range("- mm") is None and parse_size_range("300") is None
    assert species_key("Brown trout") == "brown_trout" and species_key("***") == "species"


def test_every_key_is_described():
    keys = describe_study()
    names = [key.name for key in keys]
    assert len(set(names)) == len(names)
    by_name = {key.name: key for key in keys}
    assert by_name["parameters.level"].default == "0.95" and "above 0.5" in by_name["parameters.level"].kind
    assert by_name["water.name"].default == "required"
    assert by_name["species.CODE.life_history.natural_mortality.value"].kind == "number"
    assert by_name["set_aside.fish[].where"].kind == "column = text"
    assert by_name["report.units"].kind == "one of 'metric', 'us'"
    assert by_name["season.months"].kind == "list of: whole number, at least 1, at most 12"
    empty = [key.name for key in keys if not key.meaning or not re.search(r"\w", key.kind)]
    assert not empty, empty


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400) | st.text(max_size=400).map(str.encode))
def test_any_file_reads_or_gives_one_message(tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("any")
    (folder / "study.toml").write_bytes(data)
    try:
        read_study(folder)
    except FishreportError as error:
        assert str(error)


_plain = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10)
_values = st.recursive(
    _plain, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
)
_keys = st.sampled_from([key.name.replace("[]", ".0").replace("CODE", "BNT") for key in describe_study()])


@settings(max_examples=300, deadline=None)
@given(st.dictionaries(_keys | st.text(max_size=12), _values, max_size=4))
def test_any_setting_is_taken_or_gives_one_message(tmp_path_factory, overrides):
    folder = tmp_path_factory.mktemp("any")
    (folder / "study.toml").write_text(GOOD, encoding="utf-8")
    try:
        assert isinstance(read_study(folder, overrides=overrides), Study)
    except FishreportError as error:
        assert str(error) and "Input should" not in str(error)


def test_parameters_go_by_their_name_alone_where_settings_are_given(repository):
    study = read_study(repository / "demo_inputs", overrides={"level": 0.9, "season.year": 2024})
    assert (study.parameters.level, study.season.year) == (0.9, 2024)
    assert study.overrides == {"parameters.level": 0.9, "season.year": 2024}
    with pytest.raises(StudyError, match="levle: there is no such parameter; did you mean 'level'"):
        read_study(repository / "demo_inputs", overrides={"levle": 0.9})
