"""The trade's rules of thumb: common practice, no source.

They hold what the program says against what builders of lit models tell each other. No standard
stands behind them; a test here says that the advice is given, not that it is right.
"""

from __future__ import annotations

import pytest

from leakcheck.coats import coats_needed
from leakcheck.diagnose import ADVICE, TAPE_TEST
from leakcheck.lampwords import ADVICE as LAMP_ADVICE

# What is found, and words of the remedy that is common.
REMEDIES = {
    "show-through": ("another blocking coat", "whole inside", "foil tape"),
    "pinhole": ("from inside", "brush", "lamps lit"),
    "seam leak": ("press the joint", "test again", "filler", "backing strip", "paint"),
    "side glow": ("another coat on all sides", "except where light enters and leaves"),
    "open hole": ("plastic or foil tape behind it", "light box round the led"),
}
LAMP_REMEDIES = {
    "outshines": ("diffuser", "more clear colour", "higher resistor"),
    "dark": ("paint blocks the insert", "led is dead", "aimed"),
}
# Beside which advice a caution belongs, and what it has to say.
CAUTIONS = {
    "show-through": ("extraction or outdoors", "respirator", "flames", "safety sheet", "cure"),
    "pinhole": ("bright leds",),
    "seam leak": ("power off", "foil tape and metallic paint conduct", "insulate"),
    "side glow": ("knives cut", "respirator"),
    "open hole": ("power off", "conduct", "ten minutes", "current limited"),
}


@pytest.mark.parametrize("kind", REMEDIES)
def test_the_usual_remedy_is_named(kind):
    """Common practice, no source: what to suggest for what."""
    advice = ADVICE[kind][0].lower()
    assert [words for words in REMEDIES[kind] if words not in advice] == []


@pytest.mark.parametrize("finding", LAMP_REMEDIES)
def test_the_usual_remedy_of_an_opening_is_named(finding):
    """Common practice, no source."""
    advice = LAMP_ADVICE[finding][0].lower()
    assert [words for words in LAMP_REMEDIES[finding] if words not in advice] == []


@pytest.mark.parametrize("kind", CAUTIONS)
def test_the_caution_stands_beside_the_advice(kind):
    """Common practice, no source; paint makers' and LED makers' sheets say the same."""
    caution = ADVICE[kind][1].lower()
    assert [words for words in CAUTIONS[kind] if words not in caution] == []


def test_spill_is_told_from_leaks_with_tape():
    """Common practice, no source: over taped windows only leaks still shine."""
    assert "tape" in TAPE_TEST
    assert "still glows is a leak" in TAPE_TEST


def test_three_coats_are_common():
    """Common practice, no source: a strong glow under a usual blocking coat takes about three.

    A glow of ten times the room light, coats of density 1 (nine tenths stopped): 10 to 0.02 is
    2.7 decades.
    """
    needed = coats_needed(10.0, 1.0, 0.0, noticeable=0.02)
    assert needed is not None
    assert needed.likely == 3
