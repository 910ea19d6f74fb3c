/** All that the views of one trial share: its data, the one clock, the selection. */
import type { Pack } from "../core/pack";
import { Signal } from "../core/signal";
import { LineState, Motion } from "./motion";
import { Sightings, type Moved } from "./sightings";
import { frameAt, frameRange, frameTime, type CameraInfo, type TrialInfo } from "./trial";

/** What is looked at: a station [m], and the marker there where one was picked. */
export interface Selection {
  station: number | null;
  marker: string | null;
}

/** What is shown before and after a moment that was jumped to [s]. */
const FRAMED = [0.02, 0.01] as const;

const NONE: Moved[] = [];

export interface Span {
  from: number;
  to: number;
}

export class Bench {
  readonly time: Signal<number>;
  /** Stretch of time that all views over time show. */
  readonly window: Signal<Span>;
  readonly whole: Span;
  readonly selection = new Signal<Selection>({ station: null, marker: null });
  /** Stretch marked for a mend. */
  readonly span = new Signal<Span | null>(null);
  readonly playing = new Signal(false);
  /** Seconds of the lab clock in one second of the wall's. */
  readonly rate = new Signal(0.01);
  readonly camera = new Signal<number>(0);
  /** Pixel clicked for a mend while a point is being corrected; null where none is wanted. */
  readonly picking = new Signal(false);
  readonly picked = new Signal<{ frame: number; u: number; v: number } | null>(null);
  /** The point that the form is about to correct. */
  readonly drafted = new Signal<Moved | null>(null);
  readonly line: LineState | null;
  /** How often the motion has got more times. */
  readonly detail = new Signal(0);

  constructor(
    readonly info: TrialInfo,
    readonly motion: Motion | null,
    readonly sightings: Sightings | null,
  ) {
    this.line = motion && motion.times > 1 ? new LineState(motion) : null;
    const times = this.line ? motion!.time : (sightings?.time ?? new Float64Array(0));
    const from = times[0] ?? 0;
    const to = times.length > 1 ? times[times.length - 1]! : from + 1;
    this.whole = { from, to };
    this.window = new Signal<Span>(this.whole);
    this.time = new Signal(this.startTime());
    if (this.peak !== null) this.frame(this.peak);
    this.line?.set(this.time.value);
  }

  /** Shows the motion at all its times from now on. */
  refine(pack: Pack): void {
    if (!this.motion || pack.shape("position")[1] !== this.motion.stations) return;
    this.motion.take(pack);
    this.line?.renew();
    this.line?.set(this.time.value);
    this.detail.value++;
  }

  /** When the tip is fastest [s], where it is known. */
  get peak(): number | null {
    return this.info.quantities["peak_tip_speed_time"]?.value ?? null;
  }

  /** The moment to look at first: the fastest, where it is known. */
  private startTime(): number {
    return this.peak === null ? this.whole.from : this.clamp(this.peak);
  }

  /** Goes to a moment and shows the few milliseconds in which a crack happens about it. */
  frame(t: number): void {
    if (!Number.isFinite(t)) return;
    const [before, after] = FRAMED;
    this.look(t - before, t + after);
    this.time.value = this.clamp(t);
  }

  /** Corrected points of a camera's frame; an array is made only where there are any. */
  movedIn(camera: string, frame: number): Moved[] {
    const all = this.sightings?.moved;
    const draft = this.drafted.value;
    if (!all?.length && !draft) return NONE;
    const found = (all ?? []).filter((m) => m.camera === camera && m.frame === frame);
    return draft && draft.camera === camera && draft.frame === frame ? [...found, draft] : found;
  }

  clamp(t: number): number {
    return Math.min(Math.max(t, this.whole.from), this.whole.to);
  }

  goTo(t: number): void {
    if (!Number.isFinite(t)) return;
    const next = this.clamp(t);
    const { from, to } = this.window.value;
    if (next < from || next > to) this.look(next - 0.5 * (to - from), next + 0.5 * (to - from));
    this.time.value = next;
  }

  /** Shows a stretch of time, kept within the record and no shorter than 20 microseconds. */
  look(from: number, to: number): void {
    const { whole } = this;
    const length = Math.min(Math.max(to - from, 2e-5), whole.to - whole.from);
    const begin = Math.min(Math.max(from, whole.from), whole.to - length);
    this.window.value = { from: begin, to: begin + length };
  }

  /** Zooms about a moment; a factor under one shows less. */
  zoom(factor: number, about = this.time.value): void {
    const { from, to } = this.window.value;
    this.look(about - (about - from) * factor, about + (to - about) * factor);
  }

  select(station: number | null, marker: string | null = null): void {
    const near = marker ?? this.markerAt(station);
    this.selection.value = { station, marker: near };
  }

  selectMarker(label: string): void {
    const station = this.info.markers.stations[label];
    this.selection.value = { station: station ?? null, marker: label };
  }

  /** The label of the marker within 1 mm of a station. */
  private markerAt(station: number | null): string | null {
    if (station === null) return null;
    const found = Object.entries(this.info.markers.stations).find(
      ([, s]) => Math.abs(s - station) < 1e-3,
    );
    return found ? found[0] : null;
  }

  /** Moves the selection along the line by a share of its length; starts at the tip. */
  alongLine(step: number): void {
    const length = this.info.line.length;
    const now = this.selection.value.station ?? length;
    this.select(Math.min(Math.max(now + step * length, 0), length));
  }

  get activeCamera(): CameraInfo | null {
    return this.info.cameras[this.camera.value] ?? null;
  }

  stepFrame(count: number): void {
    const camera = this.activeCamera;
    if (!camera) return this.stepSample(count);
    const [first, last] = frameRange(camera);
    const now = frameAt(camera, this.time.value);
    // From far off, the first step goes to the frame at the near end.
    const next = now < first ? first : now > last ? last : now + count;
    this.goTo(frameTime(camera, next));
  }

  stepSample(count: number): void {
    const times = this.sightings?.time;
    if (!times || times.length < 2) return;
    const interval = this.sightings!.interval;
    const now = Math.round((this.time.value - times[0]!) / interval);
    this.goTo(times[0]! + (now + count) * interval);
  }

  stepEvent(count: number): void {
    const times = this.info.events.map((event) => event.time).sort((a, b) => a - b);
    const now = this.time.value;
    const next =
      count > 0 ? times.find((t) => t > now + 1e-9) : times.reverse().find((t) => t < now - 1e-9);
    if (next !== undefined) this.frame(next);
  }
}
