/** A camera's 3 x 4 projection: places to pixels, and its image plane back into space. */
import type { CameraInfo } from "./trial";

type Vec = [number, number, number];

export class Projection {
  readonly parallel: boolean;
  private readonly p: number[];
  private readonly axis: Vec;
  private readonly shift: [number, number];

  constructor(private readonly camera: CameraInfo) {
    this.p = (camera.projection ?? []).flat();
    this.shift = [camera.registration?.u ?? 0, camera.registration?.v ?? 0];
    const p = this.p;
    this.parallel = Math.hypot(p[8]!, p[9]!, p[10]!) === 0;
    // Parallel light runs along what both image rows leave out; else the third row looks along it.
    this.axis = this.parallel
      ? unit(cross([p[0]!, p[1]!, p[2]!], [p[4]!, p[5]!, p[6]!]))
      : unit([p[8]!, p[9]!, p[10]!]);
  }

  /** Pixel of a place, lens distortion and registration included, into out[at], out[at + 1]. */
  project(x: number, y: number, z: number, out: Float32Array, at: number): void {
    const p = this.p;
    const w = p[8]! * x + p[9]! * y + p[10]! * z + p[11]!;
    let u = (p[0]! * x + p[1]! * y + p[2]! * z + p[3]!) / w;
    let v = (p[4]! * x + p[5]! * y + p[6]! * z + p[7]!) / w;
    const k = this.camera.distortion;
    const m = this.camera.intrinsics;
    if (k && m) [u, v] = distort(u, v, k, m);
    out[at] = u + this.shift[0];
    out[at + 1] = v + this.shift[1];
  }

  /** Corners of the image as a window in space, in the plane across the view through `through`:
   * left top, right top, right bottom, left bottom. Distortion is left out: corners move by it. */
  window(through: Vec): Vec[] {
    const [w, h] = this.camera.size;
    const corners = [
      [-0.5, -0.5],
      [w - 0.5, -0.5],
      [w - 0.5, h - 0.5],
      [-0.5, h - 0.5],
    ];
    return corners.map(([u, v]) => this.meet(u! - this.shift[0], v! - this.shift[1], through));
  }

  /** Where the ray of a pixel meets that plane: three linear equations. */
  private meet(u: number, v: number, through: Vec): Vec {
    const p = this.p;
    const rows: Vec[] = [0, 4].map((r, i) => {
      const q = i === 0 ? u : v;
      return [p[r]! - q * p[8]!, p[r + 1]! - q * p[9]!, p[r + 2]! - q * p[10]!];
    });
    const right = [u * p[11]! - p[3]!, v * p[11]! - p[7]!, dot(this.axis, through)];
    return solve([rows[0]!, rows[1]!, this.axis], right);
  }
}

/** Brown's polynomial: k1, k2, p1, p2, k3 (Brown, Photogrammetric Engineering 37 (1971) 855). */
function distort(u: number, v: number, k: number[], m: number[][]): [number, number] {
  const [fx, fy, cx, cy] = [m[0]![0]!, m[1]![1]!, m[0]![2]!, m[1]![2]!];
  const x = (u - cx) / fx;
  const y = (v - cy) / fy;
  const r = x * x + y * y;
  if (k.length === 4) {
    // A fisheye lens: a ray at the angle a off the axis falls at a (1 + k1 a2 + ... + k4 a8).
    const a = Math.atan(Math.sqrt(r));
    const a2 = a * a;
    const far = a * (1 + a2 * (k[0]! + a2 * (k[1]! + a2 * (k[2]! + a2 * k[3]!))));
    const ratio = r > 1e-18 ? far / Math.sqrt(r) : 1;
    return [cx + fx * x * ratio, cy + fy * y * ratio];
  }
  const radial = 1 + r * (k[0]! + r * (k[1]! + r * (k[4] ?? 0)));
  const p1 = k[2] ?? 0;
  const p2 = k[3] ?? 0;
  return [
    cx + fx * (x * radial + 2 * p1 * x * y + p2 * (r + 2 * x * x)),
    cy + fy * (y * radial + p1 * (r + 2 * y * y) + 2 * p2 * x * y),
  ];
}

function cross(a: Vec, b: Vec): Vec {
  return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
}

function dot(a: Vec, b: Vec): number {
  return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

function unit(a: Vec): Vec {
  const size = Math.hypot(...a) || 1;
  return [a[0] / size, a[1] / size, a[2] / size];
}

/** Cramer's rule for three rows. */
function solve(rows: [Vec, Vec, Vec], right: number[]): Vec {
  const [a, b, c] = rows;
  const whole = dot(a, cross(b, c));
  const bc = cross(b, c);
  const ca = cross(c, a);
  const ab = cross(a, b);
  const at = (i: number): number =>
    (right[0]! * bc[i]! + right[1]! * ca[i]! + right[2]! * ab[i]!) / whole;
  return [at(0), at(1), at(2)];
}
