"""Published and usual cautions for catching and handling fish with current; local rules and licensed practice decide."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution.

    Attributes
    ----------
    text : str
        A sentence or two.
    source : str
        Where it stands.
    status : str
        ``seen``, ``seen as quoted`` (in another text), or ``common practice`` (no source).
    """

    text: str
    source: str
    status: str


PULSE_CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "Some rules do not allow pulsed direct current above 30 Hz where trout live.",
        "Snyder 2003, p. 5, quoting Montana rules of 1994",
        "seen",
    ),
    Caution(
        "Higher pulse rates generally hurt more trout: injury was 4% at 30 Hz. The price is catch: first-pass "
        "efficiency was 0.59 at 30 Hz and 0.75 at 60 Hz.",
        "Chiaramonte, Meyer, Branigan & Reynolds 2020, abstract",
        "seen",
    ),
    Caution(
        "Spinal injury of rainbow trout in a river was 54% with a 60-Hz full pulse, 40% with a half pulse and 12% with smooth "
        "direct current.",
        "Dalbey 1994, thesis, abstract",
        "seen",
    ),
    Caution(
        "Half of 209 adult rainbow trout had spinal injuries: 67% with quarter-sine, 44% with exponential and 44% with square "
        "pulses.",
        "Sharber & Carothers 1988, abstract",
        "seen",
    ),
    Caution(
        "Of juvenile rainbow trout at 300 V direct current or 30 Hz pulses, about 1% died and 15 to 39% were injured.",
        "Ainslie, Post & Paul 1998, abstract",
        "seen",
    ),
    Caution(
        "Guidelines for backpack work where listed salmonids live: begin at 100 V, 500 µs and 30 Hz; at most 300 V, 5 "
        "ms and 30 Hz. The limits of voltage depend on conductivity; read the guidelines.",
        "NMFS 2000, as quoted at acceleratingrestoration.org",
        "seen as quoted",
    ),
)

SAFETY_CAUTIONS: tuple[Caution, ...] = tuple(
    Caution(text, "common practice, no source", "common practice")
    for text in (
        "Current in water can kill. Local rules, permits, the maker's instructions and the licensed or certified crew "
        "leader decide; nothing here replaces them.",
        "Never work alone. Everyone aboard knows first aid and resuscitation, wears a life jacket and dry insulating gloves and "
        "boots, and can cut the current at once.",
        "Before current is switched on: test emergency stops and foot switches, look over cables and hull bonding, "
        "agree on signals, and see that no person or animal is in or touching the water.",
        "At night: lights for deck and shore, a watch for anglers and boats, a float plan left ashore, and no work in fog, "
        "lightning or rising water.",
        "Begin with the lowest settings and raise them only until fish are turned and recover within seconds. Dark "
        "bars, bent backs, bleeding gills or fish that do not recover: stop, lower the settings, write it down.",
        "Anaesthetics only as the permit, the label and the responsible veterinarian or other licensed person allow. Fish that "
        "people may eat are held for the withdrawal time on the label before they are released into an open fishery.",
    )
)
