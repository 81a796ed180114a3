"""Verdict and advice on openings."""

from __future__ import annotations

from leakcheck.lampwords import ADVICE, verdict


def test_verdict_in_one_line():
    found = [("w1", ()), ("w2", ("dark",)), ("w3", ("clipped",)), ("b1", ("wrong colour",))]
    assert verdict(found) == (
        "Openings: 2 of 4 as they should be. Dark: w2. Clipped: w3. Wrong colour: b1."
    )
    many = verdict([(f"w{i}", ("dark",)) for i in range(9)])
    assert many.endswith("Dark: w0, w1, w2, w3 and 5 more.")


def test_every_advice_to_work_on_the_model_has_a_caution():
    """Work inside a wired model and bright LEDs both can hurt; retaking a photo cannot."""
    for finding, (advice, caution) in ADVICE.items():
        assert advice
        assert bool(caution) == (finding not in ("not measured", "clipped"))
