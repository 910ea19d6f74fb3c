/** What to draw over a camera's frame at a moment: line, tip, fronts, points; in pixels. */
import type { Pack } from "../core/pack";
import type { Bench } from "./bench";
import { Projection } from "./projection";
import type { CameraPoints, Moved } from "./sightings";
import type { CameraInfo } from "./trial";

export class Overlay {
  /** The projected line, u, v for each station; nan where there is none. */
  readonly line: Float32Array;
  /** First and one past the last of the points that were seen in the frame. */
  firstPoint = 0;
  endPoint = 0;
  firstFront = 0;
  endFront = 0;
  readonly points: CameraPoints | null;
  readonly fronts: Float32Array;
  private readonly frontFrame: Int32Array;
  private readonly frame: Int32Array;
  private readonly uv: Float32Array;
  private readonly projection: Projection | null;

  constructor(
    private readonly bench: Bench,
    private readonly camera: CameraInfo,
    index: number,
    pack: Pack | null,
  ) {
    const stations = bench.motion?.stations ?? 0;
    this.line = new Float32Array(2 * stations).fill(NaN);
    const found = bench.sightings?.cameras.find((points) => points.name === camera.name);
    this.points = found ?? bench.sightings?.cameras[index] ?? null;
    this.projection = camera.projection ? new Projection(camera) : null;
    const whole = pack?.shape("line_uv")[1] === stations;
    this.frame = whole ? pack!.whole("frame") : new Int32Array(0);
    this.uv = whole ? pack!.floats("line_uv") : new Float32Array(0);
    this.frontFrame = pack?.whole("front_frame") ?? new Int32Array(0);
    this.fronts = pack?.floats("front_uv") ?? new Float32Array(0);
  }

  /** Points of the frame that were corrected by hand, or are about to be. */
  moved: Moved[] = [];

  set(frame: number): void {
    this.moved = this.bench.movedIn(this.camera.name, frame);
    this.setLine(frame);
    if (this.points) {
      this.firstPoint = lower(this.points.frame, frame);
      this.endPoint = lower(this.points.frame, frame + 1);
    }
    this.firstFront = lower(this.frontFrame, frame);
    this.endFront = lower(this.frontFrame, frame + 1);
  }

  /** The server's line for that frame; where it sent none, the projection of the moment's line. */
  private setLine(frame: number): void {
    const { line } = this;
    const at = lower(this.frame, frame);
    if (this.frame[at] === frame) {
      const from = at * line.length;
      for (let i = 0; i < line.length; i++) line[i] = this.uv[from + i]!;
    } else if (this.projection && this.bench.line) {
      const xyz = this.bench.line.position;
      for (let s = 0; 2 * s < line.length; s++) {
        this.projection.project(xyz[3 * s]!, xyz[3 * s + 1]!, xyz[3 * s + 2]!, line, 2 * s);
      }
    } else {
      line.fill(NaN);
    }
  }

  /** Index of a station's pixel in `line`, or -1. */
  at(station: number): number {
    return this.bench.motion ? 2 * this.bench.motion.row(station) : -1;
  }

  /** The station whose pixel is nearest to a click, null where none is within reach [px]. */
  nearestStation(u: number, v: number, reach: number): number | null {
    let best = reach;
    let found: number | null = null;
    for (let s = 0; 2 * s < this.line.length; s++) {
      const gap = Math.hypot(this.line[2 * s]! - u, this.line[2 * s + 1]! - v);
      if (gap < best) {
        best = gap;
        found = this.bench.motion!.station[s]!;
      }
    }
    return found;
  }
}

/** First index whose entry is not under `value`. */
function lower(sorted: Int32Array, value: number): number {
  let low = 0;
  let high = sorted.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (sorted[middle]! < value) low = middle + 1;
    else high = middle;
  }
  return low;
}
