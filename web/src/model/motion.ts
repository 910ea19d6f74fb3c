/** The reconstructed motion as typed arrays, and its state at any moment. */
import type { Pack } from "../core/pack";
import { below } from "./search";

export interface ListInfo {
  unit: string;
  long_name: string;
}

/** A quantity over time and station. */
export interface Field {
  values: Float32Array;
  /** Standard deviation of each value; null where the answers hold none. */
  sd: Float32Array | null;
  unit: string;
  name: FieldName;
  /** What its colours go up to. */
  high: number;
  /** Whether some values are beyond that. */
  beyond: boolean;
}

export type FieldName = "speed" | "curvature" | "tension";

export class Motion {
  time!: Float64Array;
  station!: Float64Array;
  position!: Float32Array;
  sd!: Float32Array;
  velocity!: Float32Array;
  fields!: Record<FieldName, Field>;
  lists!: Record<string, ListInfo>;
  times = 0;
  stations = 0;
  /** Whether the server has more times than came first. */
  more = false;

  constructor(private pack: Pack) {
    this.take(pack);
  }

  /** Takes the arrays of a pack: the same motion at more times, with the same stations. */
  take(pack: Pack): void {
    this.pack = pack;
    this.more = pack.header["more"] === true;
    this.time = pack.doubles("time");
    this.station = pack.doubles("station");
    this.times = this.time.length;
    this.stations = this.station.length;
    this.position = pack.floats("position");
    this.velocity = pack.floats("velocity");
    const sd = pack.floats("position_sd");
    this.sd = sd.length ? sd : new Float32Array(this.times * this.stations);
    const described = (pack.header["lists"] ?? {}) as Record<string, ListInfo>;
    this.lists = Object.fromEntries(
      Object.entries(described).filter(
        ([name]) => name !== "time" && pack.shape(name).length === 1,
      ),
    );
    this.fields = {
      speed: field(speeds(this.velocity), pack, "m/s", "speed", 1),
      curvature: field(pack.floats("curvature"), pack, "1/m", "curvature", 0.995),
      tension: field(pack.floats("tension"), pack, "N", "tension", 0.995),
    };
  }

  get length(): number {
    return this.station[this.stations - 1] ?? 1;
  }

  /** A list over time by its name in answers.nc; undefined where it was not computed. */
  list(name: string): Float32Array | undefined {
    return this.pack.has(name) ? this.pack.floats(name) : undefined;
  }

  /** Half the width of a list's 95 % interval over 1.96: its sd where that is not skewed; or nan. */
  listSd(name: string, k: number): number {
    const low = this.list(`${name}_low`);
    const high = this.list(`${name}_high`);
    return low && high ? (high[k]! - low[k]!) / 3.92 : NaN;
  }

  /** The row of the station nearest to a place along the line [m]. */
  row(place: number): number {
    const s = below(this.station, place);
    const next = s + 1 < this.stations ? this.station[s + 1]! : Infinity;
    return next - place < place - this.station[s]! ? s + 1 : s;
  }

  /** A field at one station over all times, with its 95 % band where it has one. */
  trace(name: FieldName, row: number): { values: Float32Array; low?: Float32Array; high?: Float32Array } {
    const { values, sd } = this.fields[name];
    const out = { values: new Float32Array(this.times) };
    for (let k = 0; k < this.times; k++) out.values[k] = values[k * this.stations + row]!;
    if (!sd) return out;
    const edge = (sign: number): Float32Array =>
      out.values.map((v, k) => v + sign * 1.96 * sd[k * this.stations + row]!);
    return { ...out, low: edge(-1), high: edge(1) };
  }
}

function speeds(velocity: Float32Array): Float32Array {
  const out = new Float32Array(velocity.length / 3);
  for (let i = 0, j = 0; i < out.length; i++, j += 3) {
    const [x, y, z] = [velocity[j]!, velocity[j + 1]!, velocity[j + 2]!];
    out[i] = Math.sqrt(x * x + y * y + z * z);
  }
  return out;
}

/** With the range to show: up to a quantile, as a few sharp bends would make all else dark. */
function field(
  values: Float32Array,
  pack: Pack,
  unit: string,
  name: FieldName,
  quantile: number,
): Field {
  // The server has looked at all times; few of them may miss the largest.
  const known = (pack.header["tops"] ?? {}) as Partial<Record<FieldName, [number, number]>>;
  const [top, most] = known[name] ?? tops(values, quantile);
  const high = rounded(top > 0 ? top : 1);
  const sd = pack.has(`${name}_sd`) ? pack.floats(`${name}_sd`) : null;
  return { values, sd, unit, name, high, beyond: most > high };
}

const ROUND = [1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10];

/** The next round number: the end of a scale is then not read as a peak. */
export function rounded(value: number): number {
  const power = 10 ** Math.floor(Math.log10(value));
  return power * ROUND.find((r) => r * power >= value * (1 - 1e-9))!;
}

/** Of so many values a quantile is read. */
const SAMPLE = 20_000;

/** What a map is shown up to: a quantile of the values, or the largest of them. */
export function topOf(values: Float32Array, quantile: number): number {
  return tops(values, quantile)[0];
}

/** That, and the largest of all. */
function tops(values: Float32Array, quantile: number): [number, number] {
  let most = 0;
  for (let i = 0; i < values.length; i++) if (values[i]! > most) most = values[i]!;
  if (quantile >= 1) return [most > 0 ? most : 1, most];
  const step = Math.max(1, Math.floor(values.length / SAMPLE));
  const some = new Float32Array(Math.ceil(values.length / step));
  let count = 0;
  for (let i = 0; i < values.length; i += step) {
    if (Number.isFinite(values[i]!)) some[count++] = values[i]!;
  }
  const sorted = some.subarray(0, count).sort();
  const high = sorted[Math.floor(quantile * (count - 1))] ?? 1;
  return [high > 0 ? high : 1, most];
}

/** The line at one moment; its arrays are filled again for each moment, none is made. */
export class LineState {
  readonly position: Float32Array;
  readonly sd: Float32Array;
  readonly speed: Float32Array;
  t = NaN;
  k = 0;

  constructor(readonly motion: Motion) {
    this.position = new Float32Array(3 * motion.stations);
    this.sd = new Float32Array(motion.stations);
    this.speed = new Float32Array(motion.stations);
  }

  /** Forgets the moment: the motion has other arrays now. */
  renew(): void {
    this.t = NaN;
  }

  /** Cubic Hermite of position and velocity between times, as docs/conventions.md has it. */
  set(t: number): void {
    if (t === this.t) return;
    this.t = t;
    const { time, times, stations, position, velocity, sd } = this.motion;
    const k = Math.min(below(time, t), Math.max(times - 2, 0));
    this.k = k;
    const next = Math.min(k + 1, times - 1);
    const step = time[next]! - time[k]!;
    const x = step > 0 ? Math.min(Math.max((t - time[k]!) / step, 0), 1) : 0;
    const a = (1 + 2 * x) * (1 - x) * (1 - x);
    const b = x * x * (3 - 2 * x);
    const c = x * (1 - x) * (1 - x) * step;
    const d = x * x * (x - 1) * step;
    const here = 3 * k * stations;
    const there = 3 * next * stations;
    for (let i = 0; i < 3 * stations; i++) {
      this.position[i] =
        a * position[here + i]! +
        b * position[there + i]! +
        c * velocity[here + i]! +
        d * velocity[there + i]!;
    }
    const speed = this.motion.fields.speed.values;
    for (let s = 0; s < stations; s++) {
      const i = k * stations + s;
      const j = next * stations + s;
      this.sd[s] = (1 - x) * sd[i]! + x * sd[j]!;
      this.speed[s] = (1 - x) * speed[i]! + x * speed[j]!;
    }
  }

  /** Place of a station of the table, by linear interpolation along the line, into `out`. */
  place(station: number, out: Float32Array): void {
    const along = this.motion.station;
    const s = Math.min(below(along, station), Math.max(along.length - 2, 0));
    const gap = (along[s + 1] ?? along[s]!) - along[s]!;
    const x = gap > 0 ? (station - along[s]!) / gap : 0;
    const n = s + 1 < along.length ? s + 1 : s;
    for (let i = 0; i < 3; i++) {
      out[i] = (1 - x) * this.position[3 * s + i]! + x * this.position[3 * n + i]!;
    }
  }
}
