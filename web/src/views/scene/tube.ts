/** A tube round the line whose radius changes from station to station; renewed in place. */
import { BufferAttribute, BufferGeometry, DynamicDrawUsage } from "three";
import { onRamp } from "../../core/colour";

const SIDES = 8;

export class Tube {
  readonly geometry = new BufferGeometry();
  private readonly positions: Float32Array;
  private readonly normals: Float32Array;
  private readonly colours: Float32Array;
  private readonly cos = new Float32Array(SIDES);
  private readonly sin = new Float32Array(SIDES);

  constructor(private readonly stations: number) {
    this.positions = new Float32Array(3 * stations * SIDES);
    this.normals = new Float32Array(3 * stations * SIDES);
    this.colours = new Float32Array(3 * stations * SIDES);
    const faces: number[] = [];
    for (let s = 0; s + 1 < stations; s++) {
      for (let j = 0; j < SIDES; j++) {
        const a = s * SIDES + j;
        const b = s * SIDES + ((j + 1) % SIDES);
        faces.push(a, b, a + SIDES, b, b + SIDES, a + SIDES);
      }
    }
    for (let j = 0; j < SIDES; j++) {
      this.cos[j] = Math.cos((2 * Math.PI * j) / SIDES);
      this.sin[j] = Math.sin((2 * Math.PI * j) / SIDES);
    }
    this.geometry.setIndex(faces);
    this.add("position", this.positions);
    this.add("normal", this.normals);
    this.add("ink", this.colours);
  }

  private add(name: string, values: Float32Array): void {
    this.geometry.setAttribute(name, new BufferAttribute(values, 3).setUsage(DynamicDrawUsage));
  }

  /**
   * The ring at each station stands across the line. Its first direction is carried along, so that
   * the tube does not wring; where the line turns sharply it may narrow.
   */
  set(line: Float32Array, radius: Float32Array): void {
    let [nx, ny, nz] = [0, 1, 0];
    for (let s = 0; s < this.stations; s++) {
      const a = 3 * Math.max(s - 1, 0);
      const b = 3 * Math.min(s + 1, this.stations - 1);
      let tx = line[b]! - line[a]!;
      let ty = line[b + 1]! - line[a + 1]!;
      let tz = line[b + 2]! - line[a + 2]!;
      const long = Math.sqrt(tx * tx + ty * ty + tz * tz) || 1;
      tx /= long;
      ty /= long;
      tz /= long;
      const along = nx * tx + ny * ty + nz * tz;
      nx -= along * tx;
      ny -= along * ty;
      nz -= along * tz;
      const size = Math.sqrt(nx * nx + ny * ny + nz * nz);
      if (size < 1e-3) {
        // The line turned into the carried direction: begin anew across it.
        nx = tz;
        ny = 0;
        nz = -tx;
      }
      const norm = Math.sqrt(nx * nx + ny * ny + nz * nz) || 1;
      nx /= norm;
      ny /= norm;
      nz /= norm;
      const bx = ty * nz - tz * ny;
      const by = tz * nx - tx * nz;
      const bz = tx * ny - ty * nx;
      const r = radius[s]!;
      for (let j = 0; j < SIDES; j++) {
        const c = this.cos[j]!;
        const d = this.sin[j]!;
        const i = 3 * (s * SIDES + j);
        const ex = c * nx + d * bx;
        const ey = c * ny + d * by;
        const ez = c * nz + d * bz;
        this.normals[i] = ex;
        this.normals[i + 1] = ey;
        this.normals[i + 2] = ez;
        this.positions[i] = line[3 * s]! + r * ex;
        this.positions[i + 1] = line[3 * s + 1]! + r * ey;
        this.positions[i + 2] = line[3 * s + 2]! + r * ez;
      }
    }
    this.geometry.attributes["position"]!.needsUpdate = true;
    this.geometry.attributes["normal"]!.needsUpdate = true;
  }

  /** Colours each station by a ramp of sRGB bytes, given in shares of its range. */
  paint(values: Float32Array, high: number, ramp: Float32Array): void {
    for (let s = 0; s < this.stations; s++) {
      const at = 3 * ((255 * onRamp(values[s]!, high)) | 0);
      for (let j = 0; j < SIDES; j++) {
        const i = 3 * (s * SIDES + j);
        this.colours[i] = ramp[at]!;
        this.colours[i + 1] = ramp[at + 1]!;
        this.colours[i + 2] = ramp[at + 2]!;
      }
    }
    this.geometry.attributes["ink"]!.needsUpdate = true;
  }
}
