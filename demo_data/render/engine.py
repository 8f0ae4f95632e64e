"""Draw a scene with Mitsuba 3, fast, by keeping the scene's structure fixed.

Mitsuba compiles a kernel for each new structure it meets. So the engine builds one scene of
mesh slots, lamps and a sky once, and for each picture only replaces buffers and values. All
replaced values are opaque to the just-in-time compiler; what is not needed shrinks to one
degenerate triangle or moves out of sight.

Runs on a GPU (``cuda_ad_rgb``) or a CPU (``llvm_ad_rgb``, ``scalar_rgb``). ``llvm_ad_rgb``
needs a libLLVM of version 16 or later, named by ``DRJIT_LIBLLVM_PATH``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from demo_data.render.packing import (
    NOTHING,
    PARKED,
    Packed,
    camera_matrix,
    joined,
    lamp_matrix,
    material_key,
    split_lamps,
)
from demo_data.render.spec import F32, Camera, Item, Lamp, Material, Scene
from demo_data.render.starting import RenderError, pick_variant, start

__all__ = [
    "CLEARCOAT_GLOSS",
    "MIN_ROUGHNESS",
    "TEXTURE_SIZE",
    "Capacity",
    "Engine",
    "RenderError",
    "pick_variant",
]

TEXTURE_SIZE = 512
CLEARCOAT_GLOSS = 0.9
MIN_ROUGHNESS = 0.03
# Samples traced in one launch; larger pictures are drawn in several launches to bound memory.
_SAMPLES_PER_PASS = 80_000_000


@dataclass(frozen=True)
class Capacity:
    """How many things a scene may hold.

    Attributes:
        plain: slots for materials without a texture; items of equal material share a slot.
        textured: slots for materials with a texture.
        lamps: rectangle lamps.
        vertices: most vertices in one slot.
        faces: most triangles in one slot.
    """

    plain: int = 28
    textured: int = 4
    lamps: int = 4
    vertices: int = 400_000
    faces: int = 600_000


class Engine:
    """Draws scenes at one size and one number of samples per pixel."""

    def __init__(
        self,
        size: tuple[int, int],
        spp: int,
        variant: str | None = None,
        capacity: Capacity | None = None,
        max_depth: int = 6,
    ) -> None:
        """Build the fixed scene.

        Args:
            size: width and height in pixels of every picture.
            spp: samples per pixel.
            variant: Mitsuba variant; None picks the fastest that is there.
            capacity: how much a scene may hold.
            max_depth: longest light path.

        Raises:
            RenderError: the renderer is not installed or the variant is unknown.
        """
        self.size = size
        self.spp = spp
        self.capacity = capacity or Capacity()
        self.variant = pick_variant(variant)
        self._mi, self._dr = start(self.variant)
        self._jit = self.variant != "scalar_rgb"
        self._scene = self._build()
        path = {"type": "path", "max_depth": max_depth, "rr_depth": 8}
        self._integrator = self._mi.load_dict(path)
        self._params = self._mi.traverse(self._scene)
        self._textures: dict[str, F32] = {}
        self._filled: dict[str, bool] = {}
        self._values: dict[str, object] = {}

    # -- the fixed structure ---------------------------------------------------------------

    def _bsdf(self, textured: bool) -> Any:
        mi = self._mi
        colour: dict[str, Any] = {"type": "rgb", "value": [0.5, 0.4, 0.3]}
        if textured:
            grey = np.full((TEXTURE_SIZE, TEXTURE_SIZE, 3), 0.5, np.float32)
            colour = {"type": "bitmap", "data": mi.TensorXf(grey), "raw": True}
        # Mitsuba leaves out the lobes whose value is 0 at the start, so none is.
        inner = {
            "type": "principled",
            "base_color": colour,
            "metallic": 0.5,
            "roughness": 0.5,
            "specular": 0.5,
            "clearcoat": 0.5,
            "clearcoat_gloss": CLEARCOAT_GLOSS,
            "anisotropic": 0.5,
        }
        return mi.load_dict({"type": "twosided", "inner": inner}, optimize=False)

    def _slot(self, name: str, textured: bool) -> Any:
        mi = self._mi
        props = mi.Properties()
        props["bsdf"] = self._bsdf(textured)
        return mi.Mesh(name, 3, 1, props=props, has_vertex_normals=True, has_vertex_texcoords=True)

    def _plain_slots(self) -> dict[str, Any]:
        """Return the meshes that take the items without a texture, by name."""
        names = [f"p{index}" for index in range(self.capacity.plain)]
        return {name: self._slot(name, textured=False) for name in names}

    def _build(self) -> Any:
        width, height = self.size
        scene: dict[str, Any] = {"type": "scene"}
        scene |= self._plain_slots()
        for index in range(self.capacity.textured):
            scene[f"t{index}"] = self._slot(f"t{index}", textured=True)
        for index in range(self.capacity.lamps):
            scene[f"lamp{index}"] = {
                "type": "rectangle",
                "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.0}},
                "emitter": {"type": "area", "radiance": {"type": "rgb", "value": [1.0, 1.0, 1.0]}},
            }
        scene["sky"] = {"type": "constant", "radiance": {"type": "rgb", "value": [1.0, 0.9, 0.8]}}
        scene["sensor"] = {
            "type": "perspective",
            "fov_axis": "x",
            "fov": 40.0,
            "near_clip": 1.0,
            "far_clip": 1e5,
            # Stratified samples: several times less noise than independent ones at no cost.
            "sampler": {"type": "multijitter", "sample_count": self.spp},
            "film": {
                "type": "hdrfilm",
                "width": width,
                "height": height,
                "pixel_format": "rgb",
                "component_format": "float32",
                "rfilter": {"type": "box"},
            },
        }
        return self._mi.load_dict(scene, optimize=False)

    # -- one picture -----------------------------------------------------------------------

    def render(self, scene: Scene, camera: Camera, seed: int) -> F32:
        """Draw one picture.

        Args:
            scene: what to draw; it must fit the capacity.
            camera: its ``size`` must be the engine's.
            seed: of the sampling noise.

        Returns:
            (height, width, 3) float32 linear radiance, red green blue.

        Raises:
            RenderError: the camera's size differs, or the scene is larger than the capacity.
        """
        if camera.size != self.size:
            raise RenderError(
                f"the camera draws {camera.size[0]} x {camera.size[1]} pixels, this engine "
                f"{self.size[0]} x {self.size[1]}; make an Engine for each size"
            )
        self._place_items(scene.items)
        self._place_lamps(scene.lamps)
        self._colour("sky.radiance.value", scene.sky)
        self._place_camera(camera)
        self._params.update()
        return self._draw(seed)

    def _draw(self, seed: int) -> F32:
        width, height = self.size
        per_pass = max(1, min(self.spp, _SAMPLES_PER_PASS // (width * height)))
        passes = math.ceil(self.spp / per_pass)
        total: Any = None
        for index in range(passes):
            image = self._mi.render(
                self._scene,
                integrator=self._integrator,
                spp=math.ceil(self.spp / passes),
                seed=(seed * 9176 + index) % 2**32,
            )
            part = np.array(image, dtype=np.float32)
            total = part if total is None else total + part
        return np.ascontiguousarray(total[..., :3] / passes)

    def _set(self, key: str, value: Any) -> None:
        if self._jit:
            self._dr.make_opaque(value)
        self._params[key] = value

    def _is_new(self, key: str, value: object) -> bool:
        """Remember ``value``; each replaced value costs a launch, so equal ones are left."""
        if self._values.get(key) == value:
            return False
        self._values[key] = value
        return True

    def _number(self, key: str, value: float) -> None:
        if self._is_new(key, float(value)):
            self._set(key, self._mi.Float(float(value)))

    def _colour(self, key: str, value: tuple[float, float, float]) -> None:
        if self._is_new(key, tuple(value)):
            self._set(key, self._mi.Color3f([float(v) for v in value]))

    def _array(self, key: str, values: NDArray[Any]) -> None:
        flat = np.ascontiguousarray(values).ravel()
        current, kind, node, _ = self._params.properties[key]
        if self._jit:
            self._params[key] = type(self._params[key])(flat)
            return
        # Item assignment compares old with new, which scalar arrays of other lengths refuse.
        old = current if kind is None else self._params.get_property(current, kind, node)
        self._params.set_dirty(key)
        if kind is None:
            self._params.set_property(current, type(old)(flat))
        else:
            self._params.set_property(current, kind, type(old)(flat))

    def _place_items(self, items: tuple[Item, ...]) -> None:
        groups: dict[tuple[object, ...], list[Item]] = {}
        for item in items:
            if len(item.mesh.faces):
                groups.setdefault(material_key(item.material), []).append(item)
        plain = [g for g in groups.values() if g[0].material.texture is None]
        textured = [g for g in groups.values() if g[0].material.texture is not None]
        self._place_plain(plain)
        self._fill("t", textured, self.capacity.textured, "textured")

    def _place_plain(self, groups: list[list[Item]]) -> None:
        """Put items without a texture, grouped by material, into their slots."""
        self._fill("p", groups, self.capacity.plain, "plain")

    def _fill(self, prefix: str, groups: list[list[Item]], slots: int, kind: str) -> None:
        if len(groups) > slots:
            raise RenderError(
                f"the scene has {len(groups)} {kind} materials, the engine {slots} slots for "
                f"them; share materials or raise Capacity.{kind}"
            )
        for index in range(slots):
            name = f"{prefix}{index}"
            if index < len(groups):
                self._geometry(name, joined(groups[index]))
                self._surface(name, groups[index][0].material)
                self._filled[name] = True
            elif self._filled.get(name, True):
                self._geometry(name, NOTHING)
                self._filled[name] = False

    def _geometry(self, name: str, parts: Packed) -> None:
        vertices, normals, uv, faces = parts
        limits = self.capacity
        if len(vertices) > limits.vertices or len(faces) > limits.faces:
            raise RenderError(
                f"one material's meshes have {len(vertices)} vertices and {len(faces)} faces, "
                f"more than {limits.vertices} and {limits.faces}; raise Capacity"
            )
        self._array(f"{name}.vertex_positions", vertices)
        self._array(f"{name}.vertex_normals", normals)
        self._array(f"{name}.vertex_texcoords", uv)
        self._array(f"{name}.faces", faces)

    def _surface(self, name: str, material: Material) -> None:
        stem = f"{name}.bsdf.brdf_0"
        texture = material.texture
        if texture is None:
            self._colour(f"{stem}.base_color.value", material.base_color)
        elif self._textures.get(name) is not texture:
            expected = (TEXTURE_SIZE, TEXTURE_SIZE, 3)
            if texture.shape != expected:
                raise RenderError(f"a texture has shape {texture.shape}, allowed is {expected}")
            data = np.ascontiguousarray(texture, dtype=np.float32)
            self._params[f"{stem}.base_color.data"] = self._mi.TensorXf(data)
            self._textures[name] = texture
        self._number(f"{stem}.metallic.value", material.metallic)
        self._number(f"{stem}.roughness.value", max(material.roughness, MIN_ROUGHNESS))
        self._number(f"{stem}.specular", max(material.specular, 1e-3))
        self._number(f"{stem}.clearcoat.value", material.clearcoat)
        self._number(f"{stem}.anisotropic.value", material.anisotropic)

    def _place_lamps(self, lamps: tuple[Lamp, ...]) -> None:
        if len(lamps) > self.capacity.lamps:
            raise RenderError(
                f"the scene has {len(lamps)} lamps, the engine {self.capacity.lamps}; "
                "raise Capacity.lamps"
            )
        lamps = split_lamps(lamps, self.capacity.lamps)
        for index in range(self.capacity.lamps):
            if index < len(lamps):
                lamp = lamps[index]
                matrix, radiance = lamp_matrix(lamp), lamp.radiance
            else:
                matrix, radiance = PARKED, (0.0, 0.0, 0.0)
            self._transform(f"lamp{index}.to_world", matrix)
            self._colour(f"lamp{index}.emitter.radiance.value", radiance)

    def _transform(self, key: str, matrix: NDArray[np.float64]) -> None:
        if not self._is_new(key, matrix.tolist()):
            return
        kind = type(self._params[key])
        value = kind(self._mi.Matrix4f(matrix.tolist()) if self._jit else matrix)
        self._set(key, value)

    def _place_camera(self, camera: Camera) -> None:
        self._transform("sensor.to_world", camera_matrix(camera))
        self._number("sensor.x_fov", camera.fov_x_deg)
