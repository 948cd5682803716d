"""Solids of the mesh kernel for tests, and parts of them."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import trimesh

import soffit
from soffit.part.model import Part
from soffit.part.place import place


def block(*bounds: float) -> m3.Manifold:
    low, high = np.array(bounds[:3]), np.array(bounds[3:])
    return m3.Manifold.cube(tuple(high - low)).translate(tuple(low))


def part_of(solid: m3.Manifold) -> Part:
    mesh = solid.to_mesh64()
    return place(soffit.read(trimesh.Trimesh(mesh.vert_properties[:, :3], mesh.tri_verts),
                             unit="mm"), "keep")
