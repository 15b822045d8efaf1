"""The brief as PDF and as a page: two sheets of paper whatever the study, the author's words, and a line for what is left out."""

from __future__ import annotations

import io
import json
import re

import pypdf
import pytest
from brief_sample import RULES, SPECIES, made_document, made_results, made_study, rule_results, with_rules
from bs4 import BeautifulSoup

from fishreport.analysis.result import Results
from fishreport.exceptions import ReportError, StudyError
from fishreport.report.brief import author_text, read_sheet, render_brief
from fishreport.report.brief_html import write_brief_html
from fishreport.report.brief_pdf import write_brief_pdf
from fishreport.report.build import Built
from fishreport.report.manifest import CRATE
from fishreport.report.prose import plain_text

SUMMARY = (
    "# Summary\n\nBrown trout carry the fishery; see {figure:lengths}.\n\n| a | b |\n|---|---|\n| c | d |\n\nBass stay *few*.\n\n"
    "- a list\n"
)
ADVICE = "1. **Leave the rule.** It works well.\n2. **Weigh more fish** next year.\n3. Look again.\n\nThis is an opinion.\n"
LONG_ADVICE = "\n".join(
    f"{i}. **Do number {i}.** " + "There are reasons for it, and they take some room here. " * 6 for i in range(1, 16)
)
LONG_SUMMARY = "\n\n".join("A paragraph of a summary that goes on for a while, as summaries do. " * 7 for _ in range(9))
CASES = {
    "usual": (3, 6, {"summary.md": SUMMARY, "recommendations.md": ADVICE}),
    "one species, no aims, no words": (1, 0, {}),
    "many species, many aims, many words": (6, 15, {"summary.md": LONG_SUMMARY, "recommendations.md": LONG_ADVICE}),
    "more aims than a page holds": (6, 60, {"summary.md": SUMMARY, "recommendations.md": ADVICE}),
    "own words that never end": (6, 15, {"brief.md": "# Us\n\n" + "words " * 9000, "recommendations.md": LONG_ADVICE}),
}


def made(tmp_path, case, units="metric", whole=True):
    species, objectives, narrative = CASES[case]
    study = made_study(tmp_path / "study", species=species, objectives=objectives, units=units, narrative=narrative)
    return read_sheet(made_document(study, made_results(SPECIES[:species]), whole=whole), study)


def with_alternatives(tmp_path, case, units="metric"):
    """The same with four rules for each species."""
    species, objectives, narrative = CASES[case]
    names = SPECIES[:species]
    study = made_study(tmp_path / "study", species=species, objectives=objectives, units=units, narrative=narrative)
    study = with_rules(study, names)
    return read_sheet(made_document(study, Results([*made_results(names), *rule_results(names)])), study)


def pages_of(pdf: bytes) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def test_strong_words_stand_alone_only_where_they_end_a_sentence(tmp_path):
    """“Weigh more fish next year.”: cut after its strong words it would say another thing."""
    leads = made(tmp_path, "usual").coming.leads()
    assert [plain_text([part]).strip() for part in leads.parts[:3]] == [
        "Leave the rule.",
        "Weigh more fish next year.",
        "Look again.",
    ]


def left_out(text: str, noun: str) -> int:
    found = re.search(rf"And (\d+) more {noun}", text)
    return int(found[1]) if found else 0


@pytest.mark.parametrize(
    ("case", "units"), [(case, "metric") for case in CASES] + [("usual", "us"), ("many species, many aims, many words", "us")]
)
def test_two_pages_and_nothing_lost_in_silence(tmp_path, case, units):
    sheet = made(tmp_path, case, units)
    pdf = write_brief_pdf(sheet)
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    assert len(reader.pages) == 2
    width, height = (float(x) for x in reader.pages[0].mediabox[2:])
    assert (round(width), round(height)) == ((612, 792) if units == "us" else (595, 842))  # US Letter, ISO 216 A4
    first, second = pages_of(pdf)
    brief = sheet.brief
    told = [one.finding.text for one in brief.told if " ".join(one.finding.text.split()) in first]
    assert len(told) >= len({one.species for one in brief.told})
    assert len(told) + left_out(first, "finding") == len(brief.told)
    rows = second.count("● Met") + second.count("✕ Not met") + second.count("◐ Not yet known")
    assert rows + left_out(second, "aim") == len(brief.aims)
    for heading in ("What we did", "What we found"):
        assert heading in first
    for heading in ("What it means", "What happens next", "Electric current in water can kill."):
        assert heading in second
    if brief.aims:
        assert "How the plan" in second and brief.tally is not None and brief.tally.text in second.replace("’", "'")


@pytest.mark.parametrize(("case", "units"), [(case, "metric") for case in CASES] + [("usual", "us")])
def test_rules_give_way_before_the_brief_grows(tmp_path, case, units):
    sheet = with_alternatives(tmp_path, case, units)
    pages = pages_of(write_brief_pdf(sheet))
    assert len(pages) == 2
    alternatives = sheet.brief.rules
    _, part = pages[1].split("Regulation alternatives", 1)
    part = part.split("What it means", 1)[0]
    told = len(re.findall("|".join(name for name, _ in RULES), part))
    assert told + left_out(part, "rule") == len(alternatives.rows) == 4 * CASES[case][0]
    assert re.match(r"Today['’]s rules?: Brown trout of ", part.strip())
    if CASES[case][0] <= 3:  # today's, the best and the worst of every fish
        kept = [part.count(name) for name in ("Today: 35 cm and five a day", "Release")]
        assert kept == [CASES[case][0]] * 2
        brown = part.split("Rainbow trout large fish", 1)[0]  # by the chance of its aim; the others by their large fish
        assert "Slot" in brown and part.count("40 cm and two a day") >= CASES[case][0] - 1
    assert "Simulations inform; licensed managers and the public process decide." in part
    rows = pages[1].count("● Met") + pages[1].count("✕ Not met") + pages[1].count("◐ Not yet known")
    assert rows + left_out(pages[1], "aim") == len(sheet.brief.aims)


def test_long_words_give_way_before_a_rule_does(tmp_path):
    """Six aims, four rules for one fish, and words for more than the page: every rule stays, and words are left out."""
    words = {"summary.md": LONG_SUMMARY, "recommendations.md": LONG_ADVICE}
    study = with_rules(made_study(tmp_path / "study", species=1, objectives=6, narrative=words))
    sheet = read_sheet(made_document(study, Results([*made_results(SPECIES[:1]), *rule_results()])), study)
    page = pages_of(write_brief_pdf(sheet))[1]
    assert not left_out(page, "rule") and all(name in page for name, _ in RULES)
    assert left_out(page, "recommendation") > 0


def test_the_table_of_rules_on_the_page(tmp_path):
    sheet = with_alternatives(tmp_path, "usual")
    page = BeautifulSoup(write_brief_html(sheet), "html.parser")
    (table,) = page.select("table.rules")
    assert table.caption.text == sheet.brief.rules.caption
    assert [head.text for head in table.thead.select("th[scope=col]")] == list(sheet.brief.rules.columns)
    groups = table.select("th[scope=rowgroup]")
    assert [group.contents[0] for group in groups] == ["Brown trout", "Rainbow trout", "Smallmouth bass"]
    assert [row.text for row in table.select("th[scope=row]")][: len(RULES)] == [name for name, _ in RULES]
    assert len(table.select("td")) == 3 * 3 * len(RULES)
    assert "Regulation alternatives" not in write_brief_html(made(tmp_path / "none", "usual")).decode()


def test_words_on_the_report_are_links_on_the_screen_alone(tmp_path):
    advice = {"recommendations.md": "1. **Wait.** See {chapter:scenarios} and {figure:lengths}.\n"}
    study = made_study(tmp_path / "study", narrative=advice)
    document = made_document(study, made_results(SPECIES[:3]))
    document.references["chapter", "scenarios", "scenarios"] = ("chapter-scenarios", "chapter 8")
    page = BeautifulSoup(render_brief(document, study, "html"), "html.parser")
    links = {link.text: link["href"] for link in page.find_all("a")}
    assert links == {
        "chapter 8 of the full report": "report.html#chapter-scenarios",
        "Figure 3.1 of the full report": "report.html#figure-sizes-lengths",
        "full report": "report.html",
    }
    pdf = render_brief(document, study, "pdf")
    assert "See chapter 8 of the full report and Figure 3.1 of the full report." in pages_of(pdf)[1]
    assert all("/Annots" not in page for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)


def test_what_a_part_of_the_report_leaves_out_is_no_link(tmp_path):
    study = made_study(tmp_path / "study", narrative={"recommendations.md": "See {chapter:scenarios}.\n"})
    document = made_document(study, made_results(SPECIES[:3]), whole=False)
    page = render_brief(document, study, "html").decode()
    assert "See a chapter that this report leaves out." in page


def test_tags_language_and_alternatives(tmp_path):
    """ISO 14289-1 (PDF/UA-1) 7.1 to 7.3: tagged, titled, with a language, and every figure with a text alternative."""
    sheet = made(tmp_path, "usual")
    reader = pypdf.PdfReader(io.BytesIO(write_brief_pdf(sheet)))
    root = reader.trailer["/Root"]
    assert reader.metadata is not None and reader.metadata.title == "Fish of the Alder, 2025: in brief"
    assert root["/MarkInfo"]["/Marked"] and root["/Lang"] == "en" and b"pdfuaid" in root["/Metadata"].get_data()
    kinds: list[tuple[str, str]] = []

    def walk(item):
        item = item.get_object() if hasattr(item, "get_object") else item
        if isinstance(item, list):
            for child in item:
                walk(child)
        elif isinstance(item, dict):
            kinds.append((str(item.get("/S", "")), str(item.get("/Alt", ""))))
            walk(item.get("/K", []))

    walk(root["/StructTreeRoot"]["/K"])
    alternatives = {alt for kind, alt in kinds if kind == "/Figure" and alt}
    brief = sheet.brief
    assert {panel.alt for picture in (brief.catch, brief.sizes, brief.third) for panel in picture.panels} <= alternatives
    assert sum(kind == "/TH" for kind, _ in kinds) >= 4


def test_the_same_bytes_again(tmp_path):
    study = made_study(tmp_path / "study", narrative={"summary.md": SUMMARY, "recommendations.md": ADVICE})
    document = made_document(study, made_results(SPECIES[:3]))
    for name in ("pdf", "html"):
        assert render_brief(document, study, name) == render_brief(document, study, name)


def test_the_authors_words(tmp_path):
    sheet = made(tmp_path, "usual")
    _, second = pages_of(write_brief_pdf(sheet))
    assert "Brown trout carry the fishery; see Figure 3.1 of the full report. Bass stay few." in second
    assert "The whole summary is in the report." in second
    assert "a list" not in second
    assert "1. Leave the rule. It works well." in second and "3. Look again." in second and "This is an opinion." in second
    assert "The reasons are in the report" not in second


def test_own_words_take_the_place_of_the_summary(tmp_path):
    study = made_study(
        tmp_path / "study", narrative={"summary.md": SUMMARY, "brief.md": "Trout do *well*.\n\n- They are many.\n"}
    )
    document = made_document(study, made_results(SPECIES[:3]))
    page = render_brief(document, study, "html").decode()
    assert "Trout do <em>well</em>." in page and "<li>They are many.</li>" in page
    assert "carry the fishery" not in page and "whole summary" not in page
    assert "makes no recommendation" in page


def test_long_advice_keeps_its_first_words(tmp_path):
    sheet = made(tmp_path, "many species, many aims, many words")
    _, second = pages_of(write_brief_pdf(sheet))
    told = len(re.findall(r"\d+\. Do number \d+\.", second))
    assert told + left_out(second, "recommendation") == 15
    assert "The reasons are in the report." in second and "There are reasons for it" not in second
    whole = write_brief_html(sheet).decode()
    assert whole.count("<strong>Do number") == 15 and whole.count("There are reasons for it") == 90


def test_words_that_never_end_are_on_the_page(tmp_path):
    sheet = made(tmp_path, "own words that never end")
    _, second = pages_of(write_brief_pdf(sheet))
    assert "And 2 more parts of this text in brief.html." in second and "Us" not in second.split()
    assert write_brief_html(sheet).decode().count("words ") >= 8999


def test_the_page(tmp_path):
    sheet = made(tmp_path, "usual", whole=False)
    page = BeautifulSoup(write_brief_html(sheet), "html.parser")
    assert page.html["lang"] == "en" and page.title.text == "Fish of the Alder, 2025: in brief"
    assert [heading.name for heading in page.find_all(["h1"])] == ["h1"]
    assert [heading.text for heading in page.find_all("h2")] == [
        "What we did", "What we found", "How the plan's aims stand", "What it means", "What happens next",
    ]  # fmt: skip
    assert "from a part of the report only" in page.header.text
    assert not page.find_all("script") and not re.search(r'(?:src|href)="https?:', str(page))
    drawings = page.find_all("svg")
    assert len(drawings) == 5
    ids = [element["id"] for element in page.find_all(id=True)]
    assert len(ids) == len(set(ids))
    assert all(drawing["role"] == "img" and re.search(r"\d", drawing["aria-label"]) for drawing in drawings)
    verdicts = [verdict.get_text(" ", strip=True) for verdict in page.select(".verdict")]
    assert {verdict.split(" ", 1)[0] for verdict in verdicts} <= {"●", "✕", "◐"} and len(verdicts) == 6
    marks = {verdict.split(" ", 1)[1]: verdict.split(" ", 1)[0] for verdict in verdicts}
    assert len(set(marks.values())) == len(marks)  # a symbol of its own for each word: it reads without colour


def test_a_report_without_estimates(tmp_path):
    study = made_study(tmp_path / "study", species=1, objectives=1, narrative={})
    document = made_document(study, [])
    document.notebook.cells = []
    first, second = pages_of(render_brief(document, study, "pdf"))
    assert "The report has no estimate for this season." in first
    assert "Could not be estimated" in second


def test_faults_of_the_text_are_told(tmp_path):
    study = made_study(tmp_path / "study", narrative={"brief.md": "A <b>word</b>.\n"})
    with pytest.raises(ReportError, match=r"narrative/brief\.md: raw HTML"):
        render_brief(made_document(study, []), study, "html")
    (study.folder / "narrative" / "brief.md").write_bytes(b"caf\xe9")
    with pytest.raises(StudyError, match="UTF-8"):
        author_text(study, "brief")


@pytest.mark.build
def test_a_build_holds_its_brief(built: Built):
    pdf = (built.folder / "brief.pdf").read_bytes()
    assert len(pypdf.PdfReader(io.BytesIO(pdf)).pages) == 2
    page = (built.folder / "brief.html").read_text(encoding="utf-8")
    assert "Alder Tailwater" in page
    for link in BeautifulSoup(page, "html.parser").find_all("a"):
        assert (built.folder / link["href"].partition("#")[0]).is_file()
    crate = json.loads((built.folder / CRATE).read_text(encoding="utf-8"))
    kinds = {item["@id"]: item.get("encodingFormat") for item in crate["@graph"]}
    assert (kinds["brief.pdf"], kinds["brief.html"]) == ("application/pdf", "text/html")
