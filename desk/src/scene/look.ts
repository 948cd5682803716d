/** Where the reader looks from. Both views always share one look. */

import { OrthographicCamera, Matrix4, Vector3 } from "three";

/** `az`, `el` in degrees, el above 0 from below the part; `zoom` in pixels for a mm; `x`, `y`: the
 * point of the drawing plane in the middle of the view, mm from the middle of the part. */
export interface Look {
  az: number;
  el: number;
  zoom: number;
  x: number;
  y: number;
}

export interface Axes {
  right: Vector3;
  up: Vector3;
  toward: Vector3;
}

/** Unit vectors of the drawing plane, and toward the eye. */
export function axes({ az, el }: Pick<Look, "az" | "el">): Axes {
  const a = (az * Math.PI) / 180, e = (el * Math.PI) / 180;
  const toward = new Vector3(Math.sin(a) * Math.cos(e), -Math.cos(a) * Math.cos(e), -Math.sin(e));
  const right = new Vector3(Math.cos(a), Math.sin(a), 0);
  return { right, up: new Vector3().crossVectors(toward, right), toward };
}

/** A camera at infinity for a view of some size in pixels; `reach`: half the part's diagonal, mm. */
export function aim(
  camera: OrthographicCamera, look: Look, middle: Vector3, reach: number, wide: number, high: number,
): Axes {
  const found = axes(look);
  const { right, up, toward } = found;
  const far = 4 * reach;
  const at = middle.clone().addScaledVector(right, look.x).addScaledVector(up, look.y)
    .addScaledVector(toward, 2 * reach);
  camera.matrixAutoUpdate = false;
  camera.matrix.copy(new Matrix4().makeBasis(right, up, toward).setPosition(at));
  camera.matrixWorld.copy(camera.matrix);
  camera.matrixWorldInverse.copy(camera.matrixWorld).invert();
  camera.left = -wide / 2 / look.zoom;
  camera.right = wide / 2 / look.zoom;
  camera.top = high / 2 / look.zoom;
  camera.bottom = -high / 2 / look.zoom;
  camera.near = -far;
  camera.far = 2 * far;
  camera.updateProjectionMatrix();
  return found;
}

/** The look with the whole box in the view, `room` pixels left free all round. */
export function fitted(
  look: Pick<Look, "az" | "el">, low: Vector3, high: Vector3, wide: number, tall: number, room: number,
): Look {
  const { right, up } = axes(look);
  const half = high.clone().sub(low).multiplyScalar(0.5);
  const along = (axis: Vector3): number =>
    Math.abs(axis.x) * half.x + Math.abs(axis.y) * half.y + Math.abs(axis.z) * half.z;
  const zoom = Math.min((wide - 2 * room) / (2 * along(right)), (tall - 2 * room) / (2 * along(up)));
  return { az: look.az, el: look.el, zoom: Math.max(zoom, 1e-3), x: 0, y: 0 };
}
