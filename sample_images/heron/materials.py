"""What every material looks like: texture, gloss, metal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from heron import textures as tx
from heron.houses import LOUNGE, SALOON, WHEELHOUSE, House
from heron.mesh import Points
from heron.textures import Colour, Image

Span = tuple[float, float, float, float]  # u0, u1, v0, v1 of a texture


@dataclass(frozen=True, eq=False)
class Material:
    """One material; a texture in place of the colour where there is one."""

    colour: Colour = (0.5, 0.5, 0.5)
    texture: Image | None = None
    span: Span = (0.0, 1.0, 0.0, 1.0)
    roughness: float = 0.45
    specular: float = 0.5
    metallic: float = 0.0

    @property
    def matt(self) -> bool:
        """True where gloss would not be seen."""
        return self.roughness >= 0.6 and not self.metallic


PLAIN: dict[str, Material] = {
    "white": Material(tx.WHITE, roughness=0.42),
    "cream": Material(tx.CREAM, roughness=0.45),
    "grey": Material(tx.GREY, roughness=0.55),
    "navy": Material(tx.NAVY, roughness=0.38),
    "antifouling": Material(tx.ANTIFOULING, roughness=0.6),
    "buff": Material(tx.BUFF, roughness=0.4),
    "black": Material((0.018, 0.018, 0.019), roughness=0.4),
    "matt black": Material((0.016, 0.016, 0.017), roughness=0.8, specular=0.2),
    "dark": Material((0.03, 0.028, 0.026), roughness=0.8, specular=0.2),
    "clear": Material((0.45, 0.44, 0.43), roughness=0.36),
    "pane": Material((0.055, 0.055, 0.052), roughness=0.24, specular=0.5),
    "glass": Material((0.02, 0.022, 0.024), roughness=0.2, specular=0.5),
    "varnish": Material((0.22, 0.075, 0.022), roughness=0.25),
    "gasket": Material((0.30, 0.29, 0.27), roughness=0.5),
    "brass": Material((0.46, 0.29, 0.09), roughness=0.65, specular=0.3),  # brass paint, matt
    "steel": Material((0.42, 0.43, 0.44), roughness=0.42, metallic=0.8),
    "blade": Material((0.6, 0.61, 0.62), roughness=0.34, metallic=1.0),
    "aluminium": Material((0.62, 0.63, 0.65), roughness=0.38, metallic=0.9),
    "rubber": Material((0.02, 0.02, 0.021), roughness=0.75, specular=0.3),
    "rope": Material((0.30, 0.24, 0.16), roughness=0.9, specular=0.1),
    "raft": Material((0.68, 0.66, 0.60), roughness=0.35),
    "orange": Material((0.62, 0.13, 0.02), roughness=0.45),
    "tape": Material((0.66, 0.50, 0.20), roughness=0.7, specular=0.25),
    "cardboard": Material((0.33, 0.22, 0.12), roughness=0.9, specular=0.1),
    "bristle": Material((0.13, 0.06, 0.03), roughness=0.6),
    "sprue": Material((0.30, 0.31, 0.32), roughness=0.32),
    "ply": Material((0.50, 0.34, 0.18), roughness=0.6, specular=0.3),
    "felt": Material((0.06, 0.065, 0.07), roughness=1.0, specular=0.0),
    "mat edge": Material((0.02, 0.085, 0.06), roughness=0.7),
    "shelf": Material((0.34, 0.22, 0.12), roughness=0.6),
    "wire red": Material((0.45, 0.02, 0.015), roughness=0.35),
    "wire black": Material((0.015, 0.015, 0.016), roughness=0.35),
    "p red": Material((0.33, 0.03, 0.025), roughness=0.36),
    "p blue": Material((0.025, 0.06, 0.17), roughness=0.36),
    "p yellow": Material((0.58, 0.36, 0.04), roughness=0.36),
    "p green": Material((0.04, 0.14, 0.06), roughness=0.36),
    "p grey": Material((0.22, 0.23, 0.24), roughness=0.25),
    "p white": Material((0.68, 0.68, 0.65), roughness=0.3),
    "p brown": Material((0.16, 0.075, 0.035), roughness=0.25),
    "p black": Material((0.022, 0.022, 0.023), roughness=0.3),
    "p cream": Material((0.60, 0.52, 0.36), roughness=0.36),
}


def _house(house: House, seed: int) -> Material:
    ring = house.outline()
    length = float(np.linalg.norm(np.diff(np.vstack([ring, ring[:1]]), axis=0), axis=1).sum())
    span = (0.0, length, house.z0 - 3, house.z1)
    return Material(texture=tx.house(length, house.z0, house.z1, seed), span=span, roughness=0.42)


def materials() -> dict[str, Material]:
    """Every material by its name."""
    stern, span = tx.transom()
    planks = tx.planks((700, 2600), 26, tx.DECK, 44)
    roof = tx.painted((700, 1500), tx.GREY, 45, depth=0.09)
    roof = tx.over(
        roof, np.clip(0.4 * tx.noise((700, 1500), 46, 25), 0, 1), (0.12, 0.11, 0.10), 0.4
    )
    found = dict(PLAIN)
    for name, port in (("port", True), ("starboard", False)):
        found[f"hull {name}"] = Material(texture=tx.hull(port=port), roughness=0.36)
        skin = tx.bulwark_side(61 if port else 62)
        found[f"bulwark {name}"] = Material(texture=skin, roughness=0.42)
    found |= {
        "transom": Material(texture=stern, span=span, roughness=0.36),
        "transom bulwark": Material(tx.WHITE, roughness=0.42),
        "saloon": _house(SALOON, 71),
        "lounge": _house(LOUNGE, 72),
        "wheelhouse": _house(WHEELHOUSE, 73),
        "deck": Material(texture=planks, span=(-168, 168, -46, 46), roughness=0.65, specular=0.3),
        "roof": Material(texture=roof, span=(-75, 120, -40, 40), roughness=0.6, specular=0.3),
        "funnel": Material(texture=tx.funnel(), roughness=0.4),
        "bench": Material(texture=tx.bench_wood(), roughness=0.38, specular=0.35),
        "mat": Material(texture=tx.cutting_mat(600, 450), roughness=0.7),
        "wall": Material(
            texture=tx.painted((500, 1200), (0.42, 0.43, 0.42), 47, depth=0.025),
            roughness=0.9,
            specular=0.1,
        ),
        "sheet": Material(texture=tx.instruction_sheet(), roughness=0.8, specular=0.2),
        "label navy": Material(texture=tx.label("NAVY BLUE", tx.NAVY, 1), roughness=0.4),
        "label cream": Material(texture=tx.label("CREAM", tx.CREAM, 2), roughness=0.4),
        "label red": Material(texture=tx.label("BOOT RED", tx.ANTIFOULING, 3), roughness=0.4),
    }
    return found


def in_span(uv: Points, span: Span) -> Points:
    """Texture coordinates as shares of a texture's width and height."""
    u0, u1, v0, v1 = span
    return (uv - [u0, v0]) / [u1 - u0, v1 - v0]
