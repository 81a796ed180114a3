"""Every number that a user may turn, with its unit and the reason for its default."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Settings:
    """How one pair is measured. Defaults suit a phone photo of a model on a bench."""

    # Expected false alarms from noise alone in a pair. One in twenty tests may cry wolf once:
    # a needless coat costs a day, a missed leak is glued in for ever.
    false_alarms_per_pair: float = 0.05
    # Contrast (added light / room light on the same surface) that people notice in good light:
    # Weber's law, 1 to 2 %.
    noticeable_contrast: float = 0.02
    # Real length of the model's outline (or, without one, of the photo's width), in mm.
    length_mm: float | None = None
    # The pair was taken from a tripod: trust the pixels, and only check that they line up.
    tripod: bool = False
