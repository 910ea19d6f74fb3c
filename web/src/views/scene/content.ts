/** What stands in the 3-D view at a moment, as numbers; drawn by WebGL or by strokes. */
import type { Bench } from "../../model/bench";
import type { Frames } from "../../model/frames";
import { Projection } from "../../model/projection";
import { nearest } from "../../model/search";
import { Seen } from "../../model/sightings";
import type { CameraInfo } from "../../model/trial";
import { boundsOf } from "./orbit";

/** A camera's image, standing in space. */
export interface CameraWindow {
  camera: CameraInfo;
  index: number;
  corners: [number, number, number][];
  frames: Frames;
}

/** Shapes of a marker: a disc where seen, a ring where only predicted, a cross where distrusted. */
export const enum Shape {
  Disc = 0,
  Ring = 1,
  Cross = 2,
  None = 3,
}

export class SceneContent {
  readonly windows: CameraWindow[];
  /** Radius of the drawn line at each station, stouter at the butt [m]; not the line's own. */
  readonly radius: Float32Array;
  readonly markerXyz: Float32Array;
  readonly markerShape: Uint8Array;
  readonly bounds: Float32Array;
  readonly size: number;
  /** Whether the cameras' pictures stand in their windows. */
  pictures = true;
  /** Standard deviations in the drawn band's radius. */
  band = 2;
  /** Where the front stands; nan where there is none. */
  frontStation = NaN;
  private readonly place = new Float32Array(3);

  constructor(
    readonly bench: Bench,
    frames: Frames[],
  ) {
    this.bounds = boundsOf(this.cloud());
    const [x0, y0, z0, x1, y1, z1] = this.bounds as unknown as number[];
    this.size = Math.max(x1! - x0!, y1! - y0!, z1! - z0!, 0.1);
    const stations = bench.motion?.stations ?? 0;
    this.radius = new Float32Array(stations);
    const labels = bench.sightings?.labels.length ?? 0;
    this.markerXyz = new Float32Array(3 * labels);
    this.markerShape = new Uint8Array(labels);
    this.windows = bench.info.cameras.flatMap((camera, index) =>
      this.window(camera, index, frames),
    );
  }

  /** Some thousands of places of the whole motion, to find its extent. */
  cloud(): Float32Array {
    const { motion, sightings } = this.bench;
    if (!this.bench.line || !motion) return sightings?.xyz ?? new Float32Array(0);
    const step = Math.max(1, Math.floor(motion.times / 300));
    const rows: number[] = [];
    for (let k = 0; k < motion.times; k += step) {
      const row = motion.position.subarray(3 * k * motion.stations, 3 * (k + 1) * motion.stations);
      for (let i = 0; i + 2 < row.length; i += 12) rows.push(row[i]!, row[i + 1]!, row[i + 2]!);
    }
    return Float32Array.from(rows);
  }

  /** The cloud and the corners of the camera windows: all that a first view should hold. */
  extent(): Float32Array {
    const corners = this.windows.flatMap((window) => window.corners.flat());
    return Float32Array.from([...this.cloud(), ...corners]);
  }

  /** The line as it stands now. */
  now(): Float32Array {
    return this.bench.line?.position ?? this.cloud();
  }

  /** The line through the stretch of time that is shown: where a first view looks. */
  shown(): Float32Array {
    const { motion, line } = this.bench;
    if (!motion || !line) return this.extent();
    const { from, to } = this.bench.window.value;
    const rows: number[] = [];
    for (let k = 0; k < motion.times; k += 4) {
      if (motion.time[k]! < from || motion.time[k]! > to) continue;
      const row = motion.position.subarray(3 * k * motion.stations, 3 * (k + 1) * motion.stations);
      for (let i = 0; i + 2 < row.length; i += 12) rows.push(row[i]!, row[i + 1]!, row[i + 2]!);
    }
    return rows.length > 30 ? Float32Array.from(rows) : this.extent();
  }

  /** The image plane stands where the tip is, halfway through the camera's record. */
  private window(camera: CameraInfo, index: number, frames: Frames[]): CameraWindow[] {
    if (!camera.projection) return [];
    const through = this.whereItLooks(camera, index);
    const corners = new Projection(camera).window(through);
    if (corners.some((c) => c.some((v) => !Number.isFinite(v)))) return [];
    return [{ camera, index, corners, frames: frames[index]! }];
  }

  private whereItLooks(camera: CameraInfo, index: number): [number, number, number] {
    const { motion, sightings, line } = this.bench;
    const times = sightings?.cameras[index]?.time;
    const middle = times?.length ? times[times.length >> 1]! : camera.clock.offset;
    if (line && motion) {
      const k = nearest(motion.time, middle);
      const at = 3 * ((k + 1) * motion.stations - 1);
      return [motion.position[at]!, motion.position[at + 1]!, motion.position[at + 2]!];
    }
    const b = this.bounds;
    return [0, 1, 2].map((i) => 0.5 * (b[i]! + b[i + 3]!)) as [number, number, number];
  }

  /** The trail of the tip within the window of time. */
  trail(): Float32Array {
    const { motion, line } = this.bench;
    if (!motion || !line) return new Float32Array(0);
    const { from, to } = this.bench.window.value;
    const points: number[] = [];
    for (let k = 0; k < motion.times; k++) {
      if (motion.time[k]! < from || motion.time[k]! > to) continue;
      const at = 3 * ((k + 1) * motion.stations - 1);
      points.push(motion.position[at]!, motion.position[at + 1]!, motion.position[at + 2]!);
    }
    return Float32Array.from(points);
  }

  /** Radius of the drawn line at its middle: stout enough to be seen however far off it is [m]. */
  stout(perPixel: number): number {
    return Math.max(0.0018 * this.size, 1.3 * perPixel);
  }

  setRadius(perPixel: number): void {
    const count = this.radius.length;
    const stout = this.stout(perPixel);
    for (let s = 0; s < count; s++) {
      const taper = 1.5 - s / Math.max(count - 1, 1);
      this.radius[s] = taper * stout;
    }
  }

  set(t: number): void {
    this.setMarkers(t);
    const front = this.bench.motion?.list("bend_station");
    this.frontStation = front && this.bench.line ? front[this.bench.line.k]! : NaN;
  }

  private setMarkers(t: number): void {
    const { sightings, line } = this.bench;
    if (!sightings) return;
    const k = nearest(sightings.time, t);
    const near = Math.abs(sightings.time[k]! - t) <= 0.5 * sightings.interval + 1e-9;
    const count = sightings.labels.length;
    for (let l = 0; l < count; l++) {
      const state = near ? sightings.state(k, l) : Seen.Missing;
      if (state !== Seen.Missing) {
        const at = 3 * (k * count + l);
        for (let i = 0; i < 3; i++) this.markerXyz[3 * l + i] = sightings.xyz[at + i]!;
        this.markerShape[l] = state === Seen.Distrusted ? Shape.Cross : Shape.Disc;
        continue;
      }
      const station = sightings.stations[l];
      if (line && typeof station === "number" && Number.isFinite(station)) {
        line.place(station, this.place);
        this.markerXyz.set(this.place, 3 * l);
        this.markerShape[l] = Shape.Ring;
      } else this.markerShape[l] = Shape.None;
    }
  }
}
