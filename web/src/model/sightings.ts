/** What the instruments saw, and what the fit made of each sighting. */
import type { Pack } from "../core/pack";

/** A sighting counts as distrusted below this weight, as in the report. */
export const TRUSTED = 0.4;

export const enum Seen {
  Missing = 0,
  Used = 1,
  Distrusted = 2,
  Unknown = 3,
}

export interface CameraPoints {
  name: string;
  features: string[];
  frame: Int32Array;
  time: Float64Array;
  uv: Float32Array;
  weight: Float32Array;
  feature: Int32Array;
}

/** A point that was corrected by hand: where it was, if anywhere, and where it is now [px]. */
export interface Moved {
  camera: string;
  frame: number;
  was: [number, number] | null;
  is: [number, number];
}

export class Sightings {
  readonly time: Float64Array;
  readonly labels: string[];
  readonly stations: (number | null)[];
  readonly xyz: Float32Array;
  readonly weight: Float32Array;
  readonly cameras: CameraPoints[];
  readonly reasons: Record<string, string>;
  readonly note: string | null;
  readonly moved: Moved[];

  constructor(pack: Pack) {
    const header = pack.header;
    this.time = pack.doubles("marker_time");
    this.labels = (header["labels"] ?? []) as string[];
    this.stations = (header["stations"] ?? this.labels.map(() => null)) as (number | null)[];
    this.xyz = pack.floats("marker_xyz");
    this.weight = pack.floats("marker_weight");
    this.reasons = (header["reasons"] ?? {}) as Record<string, string>;
    this.moved = (header["moved"] ?? []) as Moved[];
    this.note = (header["note"] ?? null) as string | null;
    const names = (header["cameras"] ?? []) as string[];
    const features = (header["features"] ?? []) as string[][];
    this.cameras = names.map((name, i) => ({
      name,
      features: features[i] ?? [],
      frame: pack.whole(`cam${i}_frame`),
      time: pack.doubles(`cam${i}_time`),
      uv: pack.floats(`cam${i}_uv`),
      weight: pack.floats(`cam${i}_weight`),
      feature: pack.whole(`cam${i}_feature`),
    }));
  }

  /** How marker `label` fared in sample `k`. */
  state(k: number, label: number): Seen {
    const i = k * this.labels.length + label;
    if (!Number.isFinite(this.xyz[3 * i]!)) return Seen.Missing;
    const weight = this.weight[i];
    if (weight === undefined || !Number.isFinite(weight)) return Seen.Unknown;
    return weight < TRUSTED ? Seen.Distrusted : Seen.Used;
  }

  /** Time between two samples [s]. */
  get interval(): number {
    const n = this.time.length;
    return n > 1 ? (this.time[n - 1]! - this.time[0]!) / (n - 1) : 0.002;
  }
}
