"""Write the example parts beside this script: `python examples/make.py [NAME ...]`.

Same script, same bytes: the files in the repository are what this writes.
"""

from __future__ import annotations

import importlib
import struct
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from manifold3d import Manifold

HERE = Path(__file__).resolve().parent
NAMES = tuple(sorted(p.stem for p in (HERE / "parts").glob("*.py")))


def write_stl(mesh: Manifold, path: Path, title: str) -> None:
    """Binary STL, coordinates in mm, triangles in sorted order so that the bytes never vary."""
    raw = mesh.to_mesh()
    corners = raw.vert_properties[:, :3][raw.tri_verts]
    rows = []
    for triangle in corners.tolist():
        first = triangle.index(min(triangle))
        rows.append(tuple(triangle[first:] + triangle[:first]))
    head = title.encode("ascii")[:79].ljust(80, b" ")
    body = b"".join(struct.pack("<12fH", 0, 0, 0, *(v for p in row for v in p), 0)
                    for row in sorted(rows))
    path.write_bytes(head + struct.pack("<I", len(rows)) + body)


def make(name: str, folder: Path) -> Path:
    """Draw one example and write it into `folder`; returns the file."""
    from examples import _cad

    drawing = importlib.import_module(f"examples.parts.{name}").draw()
    if isinstance(drawing, _cad.Drawing):
        if not _cad.sound(drawing.solid):
            raise RuntimeError(f"{name} is not one valid solid; look at examples/parts/{name}.py")
        path = folder / f"{name}.step"
        _cad.write_step(drawing, path, name)
    else:
        path = folder / f"{name}.stl"
        write_stl(drawing, path, f"{name}, mm")
    return path


def main(names: list[str]) -> int:
    """Write the named examples, or all of them."""
    unknown = sorted(set(names) - set(NAMES))
    if unknown:
        print(f"no such example: {', '.join(unknown)}; there are {', '.join(NAMES)}",
              file=sys.stderr)
        return 2
    for name in names or NAMES:
        print(make(name, HERE).name)
    return 0


if __name__ == "__main__":
    sys.path.insert(0, str(HERE.parent))
    raise SystemExit(main(sys.argv[1:]))
