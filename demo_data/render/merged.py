"""An engine for many quick pictures: every material without a texture shares one mesh.

Each mesh slot costs the renderer a launch and a buffer update for every picture. Random machines
have dozens of small parts in as many colours, so here their materials travel as attributes of the
vertices of one mesh. ``specular`` is no attribute in Mitsuba: it is 0.5 for all.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from demo_data.render.engine import CLEARCOAT_GLOSS, MIN_ROUGHNESS, Engine, RenderError
from demo_data.render.packing import NOTHING, joined
from demo_data.render.spec import F32, Item, Material

_NAME = "merged"
_NUMBERS = ("metallic", "roughness", "clearcoat", "anisotropic")


class MergedEngine(Engine):
    """Draws like :class:`Engine`, all items without a texture as one mesh.

    ``Capacity.plain`` does not count; ``vertices`` and ``faces`` hold for that one mesh.
    Places where the light's sum is not a number come out black.
    """

    def _plain_slots(self) -> dict[str, Any]:
        mi = self._mi
        inner: dict[str, Any] = {
            "type": "principled",
            "base_color": {"type": "mesh_attribute", "name": "vertex_color"},
            "specular": 0.5,
            "clearcoat_gloss": CLEARCOAT_GLOSS,
        }
        for name in _NUMBERS:
            inner[name] = {"type": "mesh_attribute", "name": f"vertex_{name}"}
        props = mi.Properties()
        props["bsdf"] = mi.load_dict({"type": "twosided", "inner": inner}, optimize=False)
        mesh = mi.Mesh(_NAME, 3, 1, props=props, has_vertex_normals=True, has_vertex_texcoords=True)
        mesh.add_attribute("vertex_color", 3, [0.5] * 9)
        for name in _NUMBERS:
            mesh.add_attribute(f"vertex_{name}", 1, [0.5] * 3)
        return {_NAME: mesh}

    def _place_plain(self, groups: list[list[Item]]) -> None:
        items = [item for group in groups for item in group]
        parts = joined(items) if items else NOTHING
        limits = self.capacity
        if len(parts[0]) > limits.vertices or len(parts[3]) > limits.faces:
            raise RenderError(
                f"the meshes without a texture have {len(parts[0])} vertices and "
                f"{len(parts[3])} faces, more than {limits.vertices} and {limits.faces}; "
                "raise Capacity"
            )
        counts = [len(item.mesh.vertices) for item in items] or [len(NOTHING[0])]
        materials = [item.material for item in items] or [Material((0.5, 0.5, 0.5))]
        colours = np.array([m.base_color for m in materials], np.float32)
        self._geometry(_NAME, parts)
        self._array(f"{_NAME}.vertex_color", np.repeat(colours, counts, axis=0))
        for name in _NUMBERS:
            values = np.array([getattr(m, name) for m in materials], np.float32)
            if name == "roughness":
                values = np.maximum(values, MIN_ROUGHNESS)
            self._array(f"{_NAME}.vertex_{name}", np.repeat(values, counts))

    def _draw(self, seed: int) -> F32:
        return np.nan_to_num(super()._draw(seed), nan=0.0)
