/** Which sightings were used, distrusted or missing: a row for each marker and image feature. */
import { figures, moment, share } from "../core/format";
import { inks, rem } from "../core/theme";
import type { Bench } from "../model/bench";
import { countSightings } from "../model/counts";
import { below, nearest } from "../model/search";
import { Seen, TRUSTED, type Sightings } from "../model/sightings";
import { timeAxis } from "../paint/axes";
import { CanvasPainter } from "../paint/canvas";
import type { Painter } from "../paint/painter";
import { SvgPainter } from "../paint/svg";
import { OverTime } from "./overtime";
import { Sheet, type View } from "./view";

interface Row {
  name: string;
  /** Index of a marker, or -1. */
  marker: number;
  camera: number;
  feature: number;
}

export class RasterView implements View {
  private readonly over: OverTime;
  private readonly sheet: Sheet;
  private readonly rows: Row[];
  private readonly off: () => void;

  constructor(
    private readonly bench: Bench,
    private readonly seen: Sightings,
    host: HTMLElement,
  ) {
    this.rows = rowsOf(seen);
    this.sheet = new Sheet(host);
    this.over = new OverTime(
      bench,
      host,
      (_, y) => this.pick(y),
      () => this.draw(),
      (t, y) => this.tell(t, y),
    );
    this.off = bench.selection.on(() => this.draw());
    this.resize();
  }

  resize(): void {
    this.sheet.fit();
    this.over.fit();
    this.draw();
    this.show(this.bench.time.value);
  }

  show(t: number): void {
    this.over.show(t);
  }

  destroy(): void {
    this.off();
    this.over.destroy();
    this.sheet.canvas.remove();
  }

  private rowAt(y: number): Row | undefined {
    return this.rows[Math.floor((y / this.over.height) * this.rows.length)];
  }

  /** Moment, label and how that sighting fared, for the pointer. */
  private tell(t: number, y: number): string | null {
    const row = this.rowAt(y);
    if (!row) return null;
    const { seen } = this;
    if (row.marker < 0) {
      const { time, feature, frame, weight } = seen.cameras[row.camera]!;
      let best = -1;
      for (let i = 0; i < time.length; i++) {
        if (feature[i] !== row.feature) continue;
        if (best < 0 || Math.abs(time[i]! - t) < Math.abs(time[best]! - t)) best = i;
      }
      if (best < 0) return `${row.name}: no points`;
      return `${row.name}, frame ${frame[best]} at ${moment(time[best]!)}: ${WORDS[byWeight(weight[best])]}`;
    }
    const k = nearest(seen.time, t);
    const i = k * seen.labels.length + row.marker;
    const state = seen.state(k, row.marker);
    const trust = Number.isFinite(seen.weight[i]!) ? `, weight ${figures(seen.weight[i]!, 2)}` : "";
    return `${row.name}, ${moment(seen.time[k]!)}: ${WORDS[state]}${state === Seen.Missing ? "" : trust}`;
  }

  /** The shares that were used, distrusted and missing, in one sentence. */
  describe(): string {
    const { from, to } = this.bench.window.value;
    const said = countSightings(this.seen).map((one) => {
      const missing = one.missing === null ? "" : `, ${share(one.missing)} missing`;
      return `${one.label} ${share(one.used)} used, ${share(one.distrusted)} distrusted${missing}`;
    });
    return `Sightings of the whole record, shown from ${moment(from)} to ${moment(to)}: ${said.join("; ")}.`;
  }

  private pick(y: number): void {
    const row = this.rowAt(y);
    if (row && row.marker >= 0) this.bench.selectMarker(this.seen.labels[row.marker]!);
    else if (row) this.bench.camera.value = row.camera;
  }

  private draw(): void {
    this.sheet.clear();
    const { left, width, height } = this.over;
    this.paint(new CanvasPainter(this.sheet.ctx), left, width, height, 0.75 * rem());
  }

  private paint(painter: Painter, left: number, width: number, height: number, size: number): void {
    const each = height / Math.max(this.rows.length, 1);
    const { from, to } = this.bench.window.value;
    const x = (t: number): number => left + ((t - from) / (to - from)) * width;
    const small = Math.min(size, 0.95 * each);
    this.rows.forEach((row, i) => {
      const y = i * each;
      const chosen =
        row.marker >= 0 && this.seen.labels[row.marker] === this.bench.selection.value.marker;
      if (chosen) painter.rect(left, y, width, each, { fill: inks.chosen, alpha: 0.25 });
      painter.text(left - 6, y + 0.5 * each + 0.36 * small, row.name, {
        size: small,
        colour: chosen ? inks.ink : inks.soft,
        align: "end",
        weight: chosen ? "bold" : "normal",
      });
      painter.clip(left, y, width, each, () => {
        if (row.marker >= 0) this.paintMarker(painter, row.marker, y, each, x);
        else this.paintFeature(painter, row, y, each, x);
      });
    });
  }

  /** Runs of samples of one state, so that a million samples are some hundred strokes. */
  private paintMarker(
    painter: Painter,
    marker: number,
    y: number,
    each: number,
    x: (t: number) => number,
  ): void {
    const { time, interval } = this.seen;
    const { from, to } = this.bench.window.value;
    const begin = below(time, from);
    const end = Math.min(below(time, to) + 2, time.length);
    let start = begin;
    let state = this.seen.state(begin, marker);
    for (let k = begin + 1; k <= end; k++) {
      const next = k < end ? this.seen.state(k, marker) : -1;
      if (next === state) continue;
      const left = x(time[start]! - 0.5 * interval);
      const right = x(time[k - 1]! + 0.5 * interval);
      this.block(painter, state, left, right, y, each);
      start = k;
      state = next as Seen;
    }
  }

  private block(
    painter: Painter,
    state: Seen,
    left: number,
    right: number,
    y: number,
    each: number,
  ): void {
    if (state === Seen.Missing) return;
    const width = Math.max(right - left, 0.8);
    if (state === Seen.Distrusted) {
      painter.rect(left, y + 0.06 * each, Math.max(width, 2), 0.88 * each, { fill: inks.orange });
    } else {
      const alpha = state === Seen.Used ? 0.85 : 0.45;
      painter.rect(left, y + 0.22 * each, width, 0.56 * each, { fill: inks.blue, alpha });
    }
  }

  private paintFeature(
    painter: Painter,
    row: Row,
    y: number,
    each: number,
    x: (t: number) => number,
  ): void {
    const points = this.seen.cameras[row.camera]!;
    const { from, to } = this.bench.window.value;
    for (let i = 0; i < points.time.length; i++) {
      if (points.feature[i] !== row.feature) continue;
      const t = points.time[i]!;
      if (t < from || t > to) continue;
      this.block(painter, byWeight(points.weight[i]), x(t), x(t), y, each);
    }
  }

  svg(): string {
    const height = 24 * this.rows.length;
    const painter = new SvgPainter(900, height + 66, inks.paper);
    this.paint(painter, 110, 770, height, 11);
    const { from, to } = this.bench.window.value;
    timeAxis(painter, { x: 110, y: 0, width: 770, height }, from, to, inks.ink);
    const said = "blue: used; orange, high: distrusted; blank: missing";
    painter.text(110, height + 56, said, { size: 12, colour: inks.ink });
    return painter.toString();
  }

  csv(): string {
    const { seen } = this;
    const { from, to } = this.bench.window.value;
    const lines = [["time [s]", ...seen.labels].join(",")];
    for (let k = 0; k < seen.time.length; k++) {
      if (seen.time[k]! < from || seen.time[k]! > to) continue;
      lines.push([seen.time[k], ...seen.labels.map((_, l) => WORDS[seen.state(k, l)])].join(","));
    }
    return lines.join("\n") + "\n";
  }
}

/** By number of the state. */
const WORDS = ["missing", "used", "distrusted", "seen"];

function byWeight(weight: number | undefined): Seen {
  if (weight === undefined || Number.isNaN(weight)) return Seen.Unknown;
  return weight < TRUSTED ? Seen.Distrusted : Seen.Used;
}

/** Markers from tip to butt, as in the maps, then what the cameras saw. */
function rowsOf(seen: Sightings): Row[] {
  const order = seen.labels
    .map((_, i) => i)
    .sort((a, b) => (seen.stations[b] ?? -1) - (seen.stations[a] ?? -1));
  const markers = order.map((i) => ({ name: seen.labels[i]!, marker: i, camera: -1, feature: -1 }));
  const features = seen.cameras.flatMap((points, camera) =>
    points.features.map((name, feature) => {
      const shown = seen.cameras.length > 1 ? `${name} ${camera + 1}` : name;
      return { name: shown, marker: -1, camera, feature };
    }),
  );
  return [...features, ...markers];
}
