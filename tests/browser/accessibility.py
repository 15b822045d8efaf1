"""Accessibility of what is built, as one table: WCAG 2.2 A and AA in Chromium, PDF/UA-1, and figures as others see them.

    python tests/browser/accessibility.py [--report DIR] [--review DIR] [--rollup DIR] [--pictures DIR]

Folders that are given are looked at as they are; for the others a few chapters of the demonstration study are built.
``--pictures`` writes the main figures as they look in grey and to people who see no green, no red or no blue, to be looked at.
Status 1 where anything is found.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from page_checks import (
    axe_version,
    axe_violations,
    keyboard_walk,
    keys_do_what_they_say,
    open_details,
    sideways,
    spaced_out,
    squeezed,
)
from pdf_checks import pdf_faults

WIDTHS = (1280, 375, 320)  # px; 320 is a window of 1280 px at 400 % (1.4.10)
HEIGHTS = {1280: 1024, 375: 667, 320: 256}
DEMO = Path(__file__).parents[2] / "demo_inputs"
CHAPTERS = ["season", "abundance", "size-structure", "growth", "scenarios", "methods"]
CHANGED = {"parameters.release_mortality": 0.15}
SIGHT = ("none", "achromatopsia", "deuteranopia", "protanopia", "tritanopia")
PICTURED = ("catch", "size", "age", "scenario", "length", "trend")
MAIN_FIGURES = 6
# Without these, Chromium looks for its vendor's hosts at every start.
SWITCHES = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]


@contextmanager
def chromium() -> Iterator[Any]:
    """The system's Chromium, headless."""
    from playwright.sync_api import sync_playwright

    path = next(found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name)))
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=SWITCHES)
        yield browser
        browser.close()


def build(folder: Path, *, review: bool, rollup: bool) -> dict[str, Path]:
    """Build what is asked for from the demonstration study, in a folder that is thrown away."""
    from fishreport.report.build import build_report
    from fishreport.report.progress import Progress
    from fishreport.report.review import review_study

    study = folder / "waters" / "one"
    shutil.copytree(DEMO, study, ignore=shutil.ignore_patterns("report", "review", ".fishreport-cache"))
    quiet = Progress(quiet=True)
    built = {"report": build_report(study, chapters=CHAPTERS, progress=quiet).folder}
    if review:
        review_study(study, settings=CHANGED, chapters=CHAPTERS, formats=["html"], out=folder / "review", progress=quiet)
        built["review"] = folder / "review"
    if rollup:
        from fishreport.batch import batch

        shutil.copytree(study, folder / "waters" / "two")
        done = batch(folder / "waters", chapters=CHAPTERS, jobs=1)
        assert done.rollup is not None, done.rollup_error
        built["rollup"] = done.rollup
    return built


def check_page(browser: Any, path: Path) -> list[tuple[str, list[str]]]:
    """Every check of a page, each with what it found."""
    found: list[tuple[str, list[str]]] = []
    for width in WIDTHS:
        page = browser.new_page(viewport={"width": width, "height": HEIGHTS[width]}, reduced_motion="reduce")
        page.goto(path.as_uri())
        zoomed = "400 % zoom (320 px)" if width == WIDTHS[-1] else f"{width} px"
        if width != WIDTHS[1]:
            walk = keyboard_walk(page)
            told = ", ".join(f"{count} {kind}" for kind, count in walk.kinds.items())
            found.append((f"{zoomed}: Tab meets {walk.stops} of {walk.wanted} ({told})", walk.faults))
        if width == WIDTHS[0]:
            for name, works in keys_do_what_they_say(page).items():
                if works is not None:
                    found.append((f"{zoomed}: keys of the {name}", [] if works else ["do nothing"]))
        for opened in (False, True):
            open_details(page, opened)
            wide = sideways(page)
            found.append((f"{zoomed}: page sideways, {'un' if opened else ''}folded", [f"{wide} px"] if wide > 0 else []))
        found.append((f"{zoomed}: width of the text", squeezed(page)))
        found.append((f"{zoomed}: text spaced out", spaced_out(page)))
        if width != WIDTHS[1]:
            found.append((f"{zoomed}: axe-core, unfolded", axe_violations(page)))
        page.close()
    return found


def take_pictures(browser: Any, report: Path, folder: Path) -> list[Path]:
    """The main figures as drawn, in grey, and without green, red or blue receptors, as Chromium simulates them."""
    folder.mkdir(parents=True, exist_ok=True)
    page = browser.new_page(viewport={"width": 900, "height": 900})
    page.goto((report / "report.html").as_uri())
    session = page.context.new_cdp_session(page)
    ids = page.evaluate("[...document.querySelectorAll('figure[id]')].filter(f => f.querySelector('svg')).map(f => f.id)")
    chosen = list(dict.fromkeys(next((i for i in ids if word in i), "") for word in PICTURED))
    written = []
    for figure in [one for one in chosen if one][:MAIN_FIGURES]:
        for sight in SIGHT:
            session.send("Emulation.setEmulatedVisionDeficiency", {"type": sight})
            written.append(folder / f"{figure}-{sight}.png")
            page.locator(f"[id='{figure}'] svg").first.screenshot(path=written[-1])
    page.close()
    return written


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("report", "review", "rollup", "pictures"):
        parser.add_argument(f"--{name}", type=Path, metavar="DIR")
    given = vars(parser.parse_args())
    faults = 0

    def tell(name: str, found: list[tuple[str, list[str]]]) -> None:
        nonlocal faults
        print(f"\n{name}")
        for check, wrong in found:
            faults += len(wrong)
            print(f"  {check:<100} {len(wrong) or 'none':>5}", flush=True)
            for one in wrong[:5]:
                print(f"      {one}")

    with tempfile.TemporaryDirectory() as temporary, chromium() as browser:
        places = {name: given[name].resolve() for name in ("report", "review", "rollup") if given[name]}
        if len(places) < 3:
            places = build(Path(temporary), review="review" not in places, rollup="rollup" not in places) | places
        pages = {
            "report.html": places["report"] / "report.html",
            "brief.html": places["report"] / "brief.html",
            "review.html": places["review"] / "review.html",
            "roll-up, report.html": places["rollup"] / "report.html",
        }
        page = browser.new_page()
        page.goto(pages["brief.html"].as_uri())
        axe_violations(page)
        print(f"axe-core {axe_version(page)} (WCAG 2.2 A and AA), Chromium {browser.version}; found:")
        page.close()
        for name, path in pages.items():
            tell(name, check_page(browser, path))
        for name, path in {
            "report.pdf": places["report"] / "report.pdf",
            "brief.pdf": places["report"] / "brief.pdf",
            "roll-up, report.pdf": places["rollup"] / "report.pdf",
        }.items():
            tell(name, list(pdf_faults(path).items()))
        if given["pictures"]:
            print(f"\n{len(take_pictures(browser, places['report'], given['pictures']))} pictures in {given['pictures']}")
    print(f"\n{faults} faults" if faults else "\nno faults")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
