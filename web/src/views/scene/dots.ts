/** Markers and other places as flat signs of constant size: disc, ring, cross. */
import {
  BufferAttribute,
  BufferGeometry,
  Color,
  DynamicDrawUsage,
  Points,
  ShaderMaterial,
} from "three";
import { raw } from "./materials";

const VERTEX = `
attribute float shape;
attribute vec3 ink;
varying float vShape;
varying vec3 vInk;
uniform float size;
void main() {
  vShape = shape;
  vInk = ink;
  gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
  gl_PointSize = shape > 3.5 ? 1.9 * size : size;
}`;

// Shapes as in content.ts, and 4: a wide ring for what is selected, 5: a wide thin ring.
const FRAGMENT = `
varying float vShape;
varying vec3 vInk;
uniform vec3 edge;
void main() {
  vec2 q = 2.0 * gl_PointCoord - 1.0;
  float r = length(q);
  if (vShape > 2.5 && vShape < 3.5) discard;
  if (vShape < 0.5) {
    if (r > 1.0) discard;
    gl_FragColor = vec4(r > 0.72 ? edge : vInk, 1.0);
  } else if (vShape < 1.5) {
    if (r > 1.0 || r < 0.55) discard;
    gl_FragColor = vec4(vInk, 1.0);
  } else if (vShape < 2.5) {
    if (min(abs(q.x - q.y), abs(q.x + q.y)) > 0.42) discard;
    gl_FragColor = vec4(vInk, 1.0);
  } else {
    float inner = vShape > 4.5 ? 0.84 : 0.7;
    if (r > 1.0 || r < inner) discard;
    gl_FragColor = vec4(vInk, 1.0);
  }
}`;

export class Dots {
  readonly points: Points;
  readonly xyz: Float32Array;
  readonly shape: Float32Array;
  private readonly inks: Float32Array;
  private readonly geometry = new BufferGeometry();
  private readonly material: ShaderMaterial;

  constructor(count: number) {
    this.xyz = new Float32Array(3 * count);
    this.shape = new Float32Array(count).fill(3);
    this.inks = new Float32Array(3 * count);
    this.add("position", this.xyz, 3);
    this.add("shape", this.shape, 1);
    this.add("ink", this.inks, 3);
    this.material = new ShaderMaterial({
      vertexShader: VERTEX,
      fragmentShader: FRAGMENT,
      uniforms: { size: { value: 12 }, edge: { value: new Color("#fff") } },
      depthTest: false,
      transparent: true, // else it is drawn before the tube, which then lies over it
    });
    this.points = new Points(this.geometry, this.material);
    this.points.frustumCulled = false;
    this.points.renderOrder = 10;
  }

  private add(name: string, values: Float32Array, width: number): void {
    const attribute = new BufferAttribute(values, width).setUsage(DynamicDrawUsage);
    this.geometry.setAttribute(name, attribute);
  }

  style(pixels: number, edge: string): void {
    this.material.uniforms["size"]!.value = pixels;
    this.material.uniforms["edge"]!.value = raw(edge);
  }

  ink(i: number, colour: string): void {
    this.inks.set(raw(colour).toArray(), 3 * i);
    this.geometry.attributes["ink"]!.needsUpdate = true;
  }

  moved(): void {
    this.geometry.attributes["position"]!.needsUpdate = true;
    this.geometry.attributes["shape"]!.needsUpdate = true;
  }

  dispose(): void {
    this.geometry.dispose();
    this.material.dispose();
  }
}
