/** Where the eye stands in the 3-D view: round a middle, z up; the same for WebGL and canvas. */
export class Orbit {
  azimuth = 0;
  elevation = 0.2;
  distance = 3;
  readonly middle = new Float32Array(3);
  /** Half the upright angle of view [rad]. */
  static readonly HALF_VIEW = 0.3;
  /** Nearest and farthest that WebGL draws [m]. */
  static readonly DEPTHS = [0.01, 500] as const;
  private readonly home = new Float32Array(6);
  /** How often the eye has moved. */
  moves = 0;
  // The eye and its three axes, renewed by `settle`.
  readonly eye = new Float32Array(3);
  readonly right = new Float32Array(3);
  readonly up = new Float32Array(3);
  readonly ahead = new Float32Array(3);

  /** Looks across the plane in which the line moves, far enough off to see all of `points`. */
  frame(points: Float32Array): void {
    const bounds = boundsOf(points);
    let size = 0;
    for (let i = 0; i < 3; i++) {
      this.middle[i] = 0.5 * (bounds[i]! + bounds[i + 3]!);
      size = Math.max(size, bounds[i + 3]! - bounds[i]!);
    }
    this.azimuth = acrossPlane(points, this.middle) + 0.35;
    this.elevation = 0.2;
    this.distance = (0.62 * size) / Math.tan(Orbit.HALF_VIEW) + 0.2 * size;
    this.home.set([...this.middle, this.azimuth, this.elevation, this.distance]);
    this.settle();
  }

  /** Metres in one pixel at the middle, on a sheet of that height. */
  perPixel(height: number): number {
    return (2 * this.distance * Math.tan(Orbit.HALF_VIEW)) / Math.max(height, 1);
  }

  /**
   * Comes as near as shows all of `points` on a sheet of that shape, clear of a foot of so many
   * pixels; the new view is home.
   */
  fit(points: Float32Array, width: number, height: number, foot = 0): void {
    const at = new Float32Array(2);
    const tall = Math.max(0.45 - foot / height, 0.25);
    for (let turn = 0; turn < 6; turn++) {
      let most = 0;
      for (let i = 0; i + 2 < points.length; i += 3) {
        this.project(points[i]!, points[i + 1]!, points[i + 2]!, width, height, at, 0);
        const aside = Math.abs(at[0]! / width - 0.5);
        const up = Math.abs(at[1]! / height - 0.5);
        most = Math.max(most, aside / 0.45, up / tall);
      }
      if (most > 0) this.zoom(most);
    }
    this.home[5] = this.distance;
  }

  goHome(): void {
    this.middle.set(this.home.subarray(0, 3));
    this.azimuth = this.home[3]!;
    this.elevation = this.home[4]!;
    this.distance = this.home[5]!;
    this.settle();
  }

  turn(aside: number, up: number): void {
    this.azimuth -= aside;
    this.elevation = Math.min(Math.max(this.elevation + up, -1.5), 1.5);
    this.settle();
  }

  /** Moves the middle in the plane of the picture, in shares of its height. */
  shift(aside: number, up: number): void {
    const size = 2 * this.distance * Math.tan(Orbit.HALF_VIEW);
    for (let i = 0; i < 3; i++) {
      this.middle[i] = this.middle[i]! + size * (up * this.up[i]! - aside * this.right[i]!);
    }
    this.settle();
  }

  zoom(factor: number): void {
    this.distance = Math.min(Math.max(this.distance * factor, 0.05), 100);
    this.settle();
  }

  settle(): void {
    this.moves++;
    const [ca, sa] = [Math.cos(this.azimuth), Math.sin(this.azimuth)];
    const [ce, se] = [Math.cos(this.elevation), Math.sin(this.elevation)];
    this.ahead.set([-ce * ca, -ce * sa, -se]);
    this.right.set([-sa, ca, 0]);
    this.up.set([-se * ca, -se * sa, ce]);
    for (let i = 0; i < 3; i++) this.eye[i] = this.middle[i]! - this.distance * this.ahead[i]!;
  }

  /** From the lab to the eye, as WebGL takes it: four columns, one after another. */
  view(out: Float32Array): void {
    const { eye, right, up, ahead } = this;
    for (let i = 0; i < 3; i++) {
      out[4 * i] = right[i]!;
      out[4 * i + 1] = up[i]!;
      out[4 * i + 2] = -ahead[i]!;
      out[4 * i + 3] = 0;
    }
    out[12] = -(right[0]! * eye[0]! + right[1]! * eye[1]! + right[2]! * eye[2]!);
    out[13] = -(up[0]! * eye[0]! + up[1]! * eye[1]! + up[2]! * eye[2]!);
    out[14] = ahead[0]! * eye[0]! + ahead[1]! * eye[1]! + ahead[2]! * eye[2]!;
    out[15] = 1;
  }

  /** From the eye to the sheet, of a picture so many times as wide as high. */
  lens(aspect: number, out: Float32Array): void {
    const unit = 1 / Math.tan(Orbit.HALF_VIEW);
    const [near, far] = Orbit.DEPTHS;
    out.fill(0);
    out[0] = unit / aspect;
    out[5] = unit;
    out[10] = (near + far) / (near - far);
    out[11] = -1;
    out[14] = (2 * near * far) / (near - far);
  }

  /** Place on a sheet of that size, into out[at], out[at + 1]; nan behind the eye. */
  project(
    x: number,
    y: number,
    z: number,
    w: number,
    h: number,
    out: Float32Array,
    at: number,
  ): void {
    const { eye, right, up, ahead } = this;
    const dx = x - eye[0]!;
    const dy = y - eye[1]!;
    const dz = z - eye[2]!;
    const depth = dx * ahead[0]! + dy * ahead[1]! + dz * ahead[2]!;
    const unit = depth > 1e-3 ? (0.5 * h) / (Math.tan(Orbit.HALF_VIEW) * depth) : NaN;
    out[at] = 0.5 * w + unit * (dx * right[0]! + dy * right[1]! + dz * right[2]!);
    out[at + 1] = 0.5 * h - unit * (dx * up[0]! + dy * up[1]! + dz * up[2]!);
  }
}

/** Least and greatest x, y, z of points that are finite. */
export function boundsOf(points: Float32Array): Float32Array {
  const out = new Float32Array([Infinity, Infinity, Infinity, -Infinity, -Infinity, -Infinity]);
  for (let i = 0; i < points.length; i++) {
    const v = points[i]!;
    const axis = i % 3;
    if (v < out[axis]!) out[axis] = v;
    if (v > out[axis + 3]!) out[axis + 3] = v;
  }
  return Number.isFinite(out[0]!) ? out : new Float32Array([-1, -1, 0, 1, 1, 2]);
}

/** The level direction across the main direction of motion: principal axes of x and y. */
function acrossPlane(points: Float32Array, middle: Float32Array): number {
  let [xx, xy, yy] = [0, 0, 0];
  for (let i = 0; i + 2 < points.length; i += 3) {
    const x = points[i]! - middle[0]!;
    const y = points[i + 1]! - middle[1]!;
    if (!Number.isFinite(x + y)) continue;
    xx += x * x;
    xy += x * y;
    yy += y * y;
  }
  const along = 0.5 * Math.atan2(2 * xy, xx - yy);
  return along - Math.PI / 2;
}
