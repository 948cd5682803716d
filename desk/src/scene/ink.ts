/**
 * How a drawing looks: shaded paper, hatched areas, ink lines, hatched cuts. All of it is drawn in
 * one pass by shaders of our own, so that hatches and widths are those of the sheet, in pixels.
 */

import {
  AddEquation, BackSide, BufferAttribute, BufferGeometry, Color, CustomBlending, DataTexture, DoubleSide,
  FrontSide, GLSL3, InstancedBufferAttribute, InstancedBufferGeometry, NearestFilter, OneFactor,
  ReverseSubtractEquation, RGBAFormat, ShaderMaterial, UnsignedByteType, Vector2, Vector3, Vector4,
  type IUniform, type Texture,
} from "three";
import { SHARP, type Edges } from "./edges";

/** Kinds of area, as `hatched` in the shader has them; 5 there is material that is cut. */
export const KIND = { plain: 0, air: 1, added: 2, removed: 3, prop: 4 } as const;
export type Kind = (typeof KIND)[keyof typeof KIND];

const TOKENS = ["paper", "ink", "soft", "air", "added", "removed", "prop", "protected"] as const;
export type Token = (typeof TOKENS)[number];

/** What all materials of a stage share; changed before each view is drawn. */
export interface Shared {
  uniforms: Record<string, IUniform>;
  /** Read the colours of the page again. */
  recolour: () => void;
}

/** Uniforms with the colours of the page, as the screen has them. */
export function shared(): Shared {
  const uniforms: Record<string, IUniform> = {
    cut: { value: new Vector4(0, 0, 1, 1e9) },
    anchor: { value: new Vector2() },
    ratio: { value: 1 },
    toEye: { value: new Vector3(0, 0, 1) },
    right: { value: new Vector3(1, 0, 0) },
    upward: { value: new Vector3(0, 1, 0) },
    extent: { value: new Vector2(1, 1) },
  };
  for (const token of TOKENS) uniforms[token] = { value: new Vector3() };
  const recolour = (): void => {
    const style = getComputedStyle(document.documentElement);
    for (const token of TOKENS) {
      const css = style.getPropertyValue(`--${token}`).trim() || "#888888";
      const hex = new Color(css).getHex("srgb");
      const value = uniforms[token]?.value as Vector3 | undefined;
      value?.set(
        ((hex >> 16) & 255) / 255, ((hex >> 8) & 255) / 255, (hex & 255) / 255);
    }
  };
  recolour();
  return { uniforms, recolour };
}

const HEAD = /* glsl */ `
precision highp float;
uniform vec4 cut;
uniform vec2 anchor;
uniform float ratio;
uniform vec3 toEye, right, upward, paper, ink, soft, air, added, removed, prop, protected;
`;

const PAINT = HEAD + /* glsl */ `
void keep(vec3 at, float slack) {
  if (dot(at, cut.xyz) > cut.w + slack) discard;
}

float lines(vec2 at, float angle, float pitch, float width) {
  float across = (at.x * sin(angle) + at.y * cos(angle)) / pitch;
  float off = abs(fract(across) - 0.5) * pitch;
  return 1.0 - smoothstep(0.5 * width - 0.35, 0.5 * width + 0.45, off);
}

/* As in the figures of the sheet: air 45, added 135, removed crossed, props level. */
vec3 hatched(vec3 ground, int kind, float strong) {
  vec2 at = (gl_FragCoord.xy - anchor) / ratio;
  float width = 1.0 + 0.7 * strong;
  float wash = 0.13 + 0.13 * strong;
  if (kind == 1) return mix(mix(ground, air, wash), air, lines(at, 0.7854, 6.0, width));
  if (kind == 2) return mix(mix(ground, added, wash), added, lines(at, -0.7854, 6.0, width));
  if (kind == 3) {
    float both = max(lines(at, 0.7854, 7.0, width), lines(at, -0.7854, 7.0, width));
    return mix(mix(ground, removed, 0.6 * wash), removed, 0.8 * both);
  }
  if (kind == 4) return mix(mix(ground, prop, wash), prop, lines(at, 0.0, 5.0, width));
  if (kind == 5) return mix(ground, soft, 0.75 * lines(at, 0.7854, 6.5, 0.9));
  return mix(ground, ink, 0.10 * strong);
}
`;

const FACE_VERTEX = /* glsl */ `
in float tag;
out vec3 world;
flat out int row;
void main() {
  row = int(tag + 0.5);
  world = position;
  gl_Position = projectionMatrix * viewMatrix * vec4(position, 1.0);
}`;

/* What is known of the face that a point lies on: its kind, and how strongly it is shown. */
const FACE = PAINT + /* glsl */ `
uniform sampler2D faces;
in vec3 world;
flat in int row;
out vec4 painted;
vec4 stateOf() { return texelFetch(faces, ivec2(row & 1023, row >> 10), 0) * 255.0; }
`;

const FACE_FRAGMENT = /* glsl */ `
void main() {
  keep(world, 0.0);
  vec3 normal = normalize(cross(dFdx(world), dFdy(world)));
  if (!gl_FrontFacing) normal = -normal;
  vec4 state = stateOf();
  /* Light from the upper left over the reader's shoulder; paper stays paper. */
  float light = dot(normal, normalize(0.8 * toEye + 0.75 * upward - 0.55 * right));
  vec3 ground = mix(paper, soft, 0.17 - 0.15 * clamp(light, 0.0, 1.0));
  if (!gl_FrontFacing) ground = mix(paper, soft, 0.30);
  painted = vec4(hatched(ground, int(state.r + 0.5), state.g / 2.0), 1.0);
}`;

/** Faces of a part; `faces` says of each row its kind and how strongly it is shown. */
export function faceMaterial(common: Shared, faces: DataTexture): ShaderMaterial {
  return new ShaderMaterial({
    glslVersion: GLSL3, side: DoubleSide, polygonOffset: true, polygonOffsetFactor: 1,
    polygonOffsetUnits: 2, uniforms: { ...common.uniforms, faces: { value: faces } },
    vertexShader: HEAD + FACE_VERTEX, fragmentShader: FACE + FACE_FRAGMENT,
  });
}

/** What counts of walls start from, of 255; a part that is 127 walls deep is past counting. */
export const LEVEL = 128;

/** Counts the walls behind the cut that are looked through: one more where a body is left, one less
 * where it is entered (`side`), so that what is not level again is inside, however bodies overlap.
 * Red counts the part as received, green as produced, blue its props. */
export function countMaterial(
  common: Shared, faces: DataTexture, channel: "red" | "green", side: "left" | "entered",
): ShaderMaterial {
  const left = side === "left";
  return new ShaderMaterial({
    glslVersion: GLSL3, side: left ? BackSide : FrontSide, depthWrite: false, depthTest: false,
    transparent: true, blending: CustomBlending, blendSrc: OneFactor, blendDst: OneFactor,
    blendEquation: left ? AddEquation : ReverseSubtractEquation,
    uniforms: { ...common.uniforms, faces: { value: faces } },
    vertexShader: HEAD + FACE_VERTEX,
    fragmentShader: FACE + /* glsl */ `
void main() {
  keep(world, 0.0);
  vec3 counted = stateOf().r > 3.5 ? vec3(0.0, 0.0, 1.0) : vec3(${channel === "red" ? "1.0, 0.0, 0.0" : "0.0, 1.0, 0.0"});
  painted = vec4(counted / 255.0, 0.0);
}`,
  });
}

/** The cut itself, hatched wherever walls were counted. `both`: material is told from what was added
 * and what was taken away. */
export function capMaterial(common: Shared, counts: Texture, both: boolean): ShaderMaterial {
  return new ShaderMaterial({
    glslVersion: GLSL3, side: DoubleSide, uniforms: { ...common.uniforms, counts: { value: counts } },
    vertexShader: HEAD + /* glsl */ `
void main() { gl_Position = projectionMatrix * viewMatrix * modelMatrix * vec4(position, 1.0); }`,
    fragmentShader: PAINT + /* glsl */ `
uniform sampler2D counts;
out vec4 painted;
void main() {
  vec3 walls = abs(round(texelFetch(counts, ivec2(gl_FragCoord.xy), 0).rgb * 255.0) - ${LEVEL}.0);
  bool was = walls.r > 0.5, is = walls.g > 0.5;
  int kind = walls.b > 0.5 ? 4 : was == is || !${both} ? 5 : is ? 2 : 3;
  if (walls.r + walls.g + walls.b < 0.5) discard;
  painted = vec4(hatched(paper, kind, 0.35), 1.0);
}`,
  });
}

/** A flat or sloped patch that lies on the part: `strong` 0 plain, 1 hovered, 2 picked. */
export function patchMaterial(common: Shared, kind: Kind): ShaderMaterial {
  return new ShaderMaterial({
    glslVersion: GLSL3, side: DoubleSide, polygonOffset: true, polygonOffsetFactor: 0,
    polygonOffsetUnits: -3, uniforms: { ...common.uniforms, strong: { value: 0 } },
    vertexShader: HEAD + /* glsl */ `
out vec3 world;
void main() {
  world = position;
  gl_Position = projectionMatrix * viewMatrix * vec4(position, 1.0);
}`,
    fragmentShader: PAINT + /* glsl */ `
uniform float strong;
in vec3 world;
out vec4 painted;
void main() {
  keep(world, 0.0);
  painted = vec4(hatched(paper, ${kind}, 0.5 * strong), 1.0);
}`,
  });
}

/** Lines of `width` pixels in the colour of a token; outlines only where they are ones. */
export function lineMaterial(common: Shared, token: Token, width: number): ShaderMaterial {
  return new ShaderMaterial({
    glslVersion: GLSL3, side: DoubleSide,
    uniforms: { ...common.uniforms, width: { value: width } },
    vertexShader: HEAD + /* glsl */ `
in vec3 from, to, one, two;
in float kind;
uniform float width;
uniform vec2 extent;
out vec3 world;
void main() {
  float pen = kind > 1.5 ? 0.45 : 1.0;
  bool drawn = kind > 0.5 || dot(one, toEye) * dot(two, toEye) <= 0.0;
  world = position.x < 0.5 ? from : to;
  vec4 a = projectionMatrix * viewMatrix * vec4(from, 1.0);
  vec4 b = projectionMatrix * viewMatrix * vec4(to, 1.0);
  vec2 along = (b.xy - a.xy) * extent;
  float reach = length(along);
  along = reach > 1e-6 ? along / reach : vec2(1.0, 0.0);
  vec4 here = position.x < 0.5 ? a : b;
  float half_ = 0.5 * width * pen * ratio;
  vec2 shift = vec2(-along.y, along.x) * position.y * half_
    + along * (position.x - 0.5) * half_;
  here.xy += 2.0 * shift / extent;
  here.z -= 0.0004;
  gl_Position = drawn ? here : vec4(2.0, 2.0, 2.0, 1.0);
}`,
    fragmentShader: PAINT + /* glsl */ `
in vec3 world;
out vec4 painted;
void main() {
  keep(world, 1e-3);
  painted = vec4(${token}, 1.0);
}`,
  });
}

const QUAD = new Float32Array([0, -1, 0, 1, -1, 0, 1, 1, 0, 0, 1, 0]);

/** The geometry of lines; `only` says which edges. */
export function lineGeometry(edges: Edges, only?: (edge: number) => boolean): InstancedBufferGeometry {
  const picked: number[] = [];
  for (let e = 0; e < edges.kinds.length; e++) if (!only || only(e)) picked.push(e);
  const from = new Float32Array(3 * picked.length);
  const to = new Float32Array(3 * picked.length);
  const one = new Int8Array(3 * picked.length);
  const two = new Int8Array(3 * picked.length);
  const kind = new Float32Array(picked.length);
  picked.forEach((e, k) => {
    from.set(edges.ends.subarray(6 * e, 6 * e + 3), 3 * k);
    to.set(edges.ends.subarray(6 * e + 3, 6 * e + 6), 3 * k);
    one.set(edges.normals.subarray(6 * e, 6 * e + 3), 3 * k);
    two.set(edges.normals.subarray(6 * e + 3, 6 * e + 6), 3 * k);
    kind[k] = edges.kinds[e];
  });
  const geometry = new InstancedBufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(QUAD, 3));
  geometry.setIndex([0, 1, 2, 0, 2, 3]);
  geometry.setAttribute("from", new InstancedBufferAttribute(from, 3));
  geometry.setAttribute("to", new InstancedBufferAttribute(to, 3));
  geometry.setAttribute("one", new InstancedBufferAttribute(one, 3, true));
  geometry.setAttribute("two", new InstancedBufferAttribute(two, 3, true));
  geometry.setAttribute("kind", new InstancedBufferAttribute(kind, 1));
  geometry.instanceCount = picked.length;
  return geometry;
}

/** Lines that are always drawn, from pairs of points (k, 6) mm. */
export function plainLines(ends: Float32Array): InstancedBufferGeometry {
  const count = ends.length / 6;
  return lineGeometry({
    ends, normals: new Int8Array(6 * count), kinds: new Uint8Array(count).fill(SHARP),
    faces: new Uint32Array(2 * count),
  });
}

/** A texture of one row of four bytes for each face: kind, strength. */
export function faceTexture(count: number): { texture: DataTexture; data: Uint8Array } {
  const high = Math.max(1, Math.ceil(count / 1024));
  const data = new Uint8Array(4 * 1024 * high);
  const texture = new DataTexture(data, 1024, high, RGBAFormat, UnsignedByteType);
  texture.minFilter = texture.magFilter = NearestFilter;
  texture.needsUpdate = true;
  return { texture, data };
}

/** Triangles as a geometry, with the row of the face of each corner where given. */
export function triangles(corners: Float32Array, tags?: Float32Array): BufferGeometry {
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(corners, 3));
  if (tags) geometry.setAttribute("tag", new BufferAttribute(tags, 1));
  return geometry;
}
