"""What a page must allow everybody: checks in Chromium, each an answer in numbers.

The criteria are those of WCAG 2.2, levels A and AA (W3C Recommendation, 2023-10-05); their numbers stand beside the checks.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
MOST_STOPS = 5_000
NARROW, COLUMN = 600, 0.75  # px, and the share of such a window that text must have; common practice, no source

_OPEN = "open => document.querySelectorAll('details').forEach(part => part.open = open)"
# 1.4.12: line height 1.5, letters 0.12, words 0.16 and paragraphs 2 times the size of the font.
_SPACING = "* { line-height: 1.5 !important; letter-spacing: .12em !important; word-spacing: .16em !important } p { margin-bottom: 2em !important }"
_TABBABLE = """() => {
  const asked = 'a[href], button, input, select, textarea, summary, [tabindex]';
  return [...document.querySelectorAll(asked)].filter(part => part.tabIndex >= 0 && !part.disabled && part.checkVisibility()
    && part.getClientRects().length);
}"""
_MARK = (
    f"() => {{ const parts = ({_TABBABLE})(); parts.forEach((part, place) => part.dataset.stop = place); return parts.length }}"
)
_HERE = """() => {
  const part = document.activeElement;
  if (!part || part === document.body || part === document.documentElement) return null;
  const style = getComputedStyle(part), box = part.getBoundingClientRect();
  const ringed = style.outlineStyle === 'auto' || style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
  const left = Math.max(box.left, 0), right = Math.min(box.right, innerWidth);
  const top = Math.max(box.top, 0), bottom = Math.min(box.bottom, innerHeight);
  const inside = right - left >= 1 && bottom - top >= 1;
  let seen = false;
  for (const [x, y] of [[.5, .5], [.1, .5], [.9, .5], [.5, .1], [.5, .9], [.02, .02]]) {
    const hit = inside && document.elementFromPoint(left + (right - left) * x, top + (bottom - top) * y);
    seen = seen || (hit && (part.contains(hit) || hit.contains(part) && hit !== document.body && hit !== document.documentElement));
  }
  const kind = part.classList.contains('skip') ? 'skip link' : part.closest('nav') ? 'contents'
    : part.type === 'range' ? 'slider' : part.tagName === 'SUMMARY' ? 'details' : part.tagName === 'A' ? 'link'
    : part.tabIndex === 0 && !part.matches('a,button,input,select') ? 'scrolling part' : part.tagName.toLowerCase();
  const words = (part.getAttribute('aria-label') || part.textContent || '').trim().slice(0, 60);
  return {place: part.dataset.stop === undefined ? -1 : Number(part.dataset.stop), ringed, seen, kind, words};
}"""
_CUT_OFF = """() => [...document.querySelectorAll('body *')].filter(part => {
  if (!part.checkVisibility() || part.closest('svg, math, .hidden, .skip') || part.matches('input, progress')) return false;
  const style = getComputedStyle(part);
  if (style.clipPath !== 'none' || style.position === 'absolute' && part.clientWidth <= 1) return false;
  const hides = side => ['hidden', 'clip'].includes(style['overflow' + side]);
  return hides('X') && part.scrollWidth > part.clientWidth + 1 || hides('Y') && part.scrollHeight > part.clientHeight + 1;
}).map(part => part.tagName + '.' + part.className)"""


@dataclass(frozen=True)
class Walk:
    """What the Tab key met: kinds of places with their counts, and what went wrong at which."""

    stops: int
    wanted: int
    kinds: dict[str, int] = field(default_factory=dict)
    missed: tuple[str, ...] = ()
    out_of_order: tuple[str, ...] = ()
    without_ring: tuple[str, ...] = ()
    hidden: tuple[str, ...] = ()

    @property
    def faults(self) -> list[str]:
        named = {"missed": self.missed, "out of order": self.out_of_order, "no ring": self.without_ring, "hidden": self.hidden}
        return [f"{name}: {one}" for name, places in named.items() for one in places]


def open_details(page: Any, opened: bool) -> None:
    """Unfold or fold every part of the page that can be."""
    page.evaluate(_OPEN, opened)


def axe_violations(page: Any) -> list[str]:
    """Violations of WCAG 2.2 A and AA that axe-core finds: the rule, how many places, the first of them."""
    from axe_playwright_python.sync_playwright import Axe

    options = {"runOnly": {"type": "tag", "values": TAGS}, "rules": {"target-size": {"enabled": True}}}
    response = Axe().run(page, options=options).response
    ran = {rule["id"] for kind in ("passes", "violations", "incomplete", "inapplicable") for rule in response[kind]}
    assert "target-size" in ran and "color-contrast" in ran, "axe ran without rules that were asked for"
    return [f"{rule['id']} × {len(rule['nodes'])}: {rule['nodes'][0]['html'][:100]}" for rule in response["violations"]]


def axe_version(page: Any) -> str:
    """Version of axe-core that ran on the page."""
    return str(page.evaluate("axe.version"))


def sideways(page: Any) -> int:
    """By how many pixels the page itself scrolls sideways (1.4.10; wide tables scroll within themselves)."""
    return int(page.evaluate("document.scrollingElement.scrollWidth - document.documentElement.clientWidth"))


def squeezed(page: Any) -> list[str]:
    """The column of text, where the window is narrow and it does not have most of it."""
    share = page.evaluate("(document.querySelector('main') || document.body).getBoundingClientRect().width / innerWidth")
    narrow = page.viewport_size["width"] < NARROW
    return [f"the text has {share:.0%} of the window"] if narrow and share < COLUMN else []


def spaced_out(page: Any) -> list[str]:
    """What is cut off, or how far the page scrolls sideways, once text is spaced as in 1.4.12."""
    before = set(page.evaluate(_CUT_OFF))
    style = page.add_style_tag(content=_SPACING)
    cut = [part for part in page.evaluate(_CUT_OFF) if part not in before]
    wide = sideways(page)
    style.evaluate("part => part.remove()")
    return cut + ([f"page {wide} px too wide"] if wide > 0 else [])


def keyboard_walk(page: Any) -> Walk:
    """Press Tab from the top of the page to its end (2.1.1, 2.1.2, 2.4.3, 2.4.7, 2.4.11).

    Everything that can be reached must be, in the order of the document, with a ring of 2 pixels or more, and in sight at once
    (ask for a page with reduced motion: one that glides there is not).
    """
    page.reload()  # the Tab key begins at the top of a page just loaded
    wanted = page.evaluate(_MARK)
    met: list[dict[str, Any]] = []
    for _ in range(min(wanted + 10, MOST_STOPS)):
        page.keyboard.press("Tab")
        here = page.evaluate(_HERE)
        if here is None or (met and here["place"] == met[0]["place"]):
            break
        met.append(here)
    places = [one["place"] for one in met]
    names = page.evaluate("() => [...document.querySelectorAll('[data-stop]')].map(p => p.outerHTML.slice(0, 80))")
    kinds: dict[str, int] = {}
    for one in met:
        kinds[one["kind"]] = kinds.get(one["kind"], 0) + 1
    return Walk(
        stops=len(met),
        wanted=wanted,
        kinds=kinds,
        missed=tuple(names[place] for place in range(wanted) if place not in set(places)),
        out_of_order=tuple(one["words"] for one, last in zip(met[1:], places, strict=False) if one["place"] < last),
        without_ring=tuple(f"{one['kind']} {one['words']}" for one in met if not one["ringed"]),
        hidden=tuple(f"{one['kind']} {one['words']}" for one in met if not one["seen"]),
    )


def keys_do_what_they_say(page: Any) -> dict[str, bool | None]:
    """The skip link leads to the report, Enter folds a part, an arrow moves a slider and what it says; None where there is none."""
    page.evaluate("window.scrollTo(0, 0); document.activeElement.blur()")
    done: dict[str, bool | None] = {"skip link": None, "details": None, "slider": None}
    if page.locator("a.skip").count():
        page.locator("a.skip").focus()
        page.keyboard.press("Enter")
        done["skip link"] = page.evaluate("document.activeElement.id !== '' && location.hash === '#' + document.activeElement.id")
    folded = page.locator("summary:visible")
    if folded.count():
        was = folded.last.evaluate("part => part.parentElement.open")
        folded.last.focus()
        page.keyboard.press("Enter")
        done["details"] = folded.last.evaluate("part => part.parentElement.open") != was
    slider = page.locator("input[type=range]:visible")
    if slider.count():
        said = slider.first.get_attribute("aria-valuetext")
        shown = slider.first.evaluate("part => part.closest('figure').innerText")
        slider.first.focus()
        page.keyboard.press("Home")
        page.keyboard.press("ArrowRight")
        at_second = slider.first.get_attribute("aria-valuetext")
        page.keyboard.press("ArrowRight")
        at_third = slider.first.get_attribute("aria-valuetext")
        moved = slider.first.evaluate("part => part.closest('figure').innerText") != shown
        done["slider"] = bool(said) and at_second != at_third and moved
    return done
