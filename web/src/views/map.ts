/** A space-time map: station upwards, time to the right, a quantity as colour. */
import { RAMPS, onRamp } from "../core/colour";
import { figures, moment, withSd } from "../core/format";
import { inks, rem } from "../core/theme";
import type { Bench } from "../model/bench";
import { rounded, topOf, type FieldName, type Motion } from "../model/motion";
import { below, nearest } from "../model/search";
import { axes, timeTicks } from "../paint/axes";
import { SvgPainter } from "../paint/svg";
import { OverTime } from "./overtime";
import { Sheet, type View } from "./view";

export class MapView implements View {
  private readonly over: OverTime;
  private readonly sheet: Sheet;
  private readonly level = document.createElement("div");
  private readonly image = document.createElement("canvas");
  private readonly off: () => void;

  constructor(
    private readonly bench: Bench,
    private readonly motion: Motion,
    private readonly name: FieldName,
    host: HTMLElement,
    /** Whether the standard deviation is shown in place of the value. */
    private readonly ofSd = false,
  ) {
    this.sheet = new Sheet(host);
    this.level.className = "level";
    host.append(this.level);
    this.over = new OverTime(
      bench,
      host,
      (_, y) => this.pick(y),
      () => this.draw(),
      (t, y) => this.tell(t, y),
    );
    this.off = bench.selection.on(() => this.showStation());
    this.resize();
  }

  resize(): void {
    this.sheet.fit();
    this.over.fit();
    this.draw();
    this.show(this.bench.time.value);
    this.showStation();
  }

  private get shown(): { values: Float32Array; high: number; beyond: boolean } {
    const field = this.motion.fields[this.name];
    const { sd } = field;
    return this.ofSd && sd ? { values: sd, high: rounded(topOf(sd, 0.995)), beyond: true } : field;
  }

  show(t: number): void {
    this.over.show(t);
  }

  destroy(): void {
    this.off();
    this.over.destroy();
    this.sheet.canvas.remove();
    this.level.remove();
  }

  private pick(y: number): void {
    this.bench.select(this.stationAt(y));
  }

  private stationAt(y: number): number {
    return (1 - Math.min(Math.max((y - 1) / (this.over.height - 2), 0), 1)) * this.motion.length;
  }

  /** Time, station and value with its sd, for the pointer. */
  private tell(t: number, y: number): string {
    const { motion } = this;
    const { values, sd, unit } = motion.fields[this.name];
    const k = nearest(motion.time, t);
    const s = motion.row(this.stationAt(y));
    const at = k * motion.stations + s;
    const value = Number.isFinite(values[at]!)
      ? `${withSd(values[at]!, sd?.[at], unit)} (best motion)`
      : "not defined on the rigid grip";
    return `${moment(motion.time[k]!)}, station ${motion.station[s]!.toFixed(3)} m\n${this.name} ${value}`;
  }

  /** Where and when it is largest, in one sentence. */
  describe(): string {
    const { motion, bench } = this;
    const { values, sd, unit } = motion.fields[this.name];
    const { from, to } = bench.window.value;
    const end = (below(motion.time, to) + 1) * motion.stations;
    let best = below(motion.time, from) * motion.stations;
    for (let i = best; i < end; i++) if (values[i]! > values[best]! || !(values[best]! >= 0)) best = i;
    const k = Math.floor(best / motion.stations);
    const where = `${motion.station[best % motion.stations]!.toFixed(3)} m at ${moment(motion.time[k]!)}`;
    return `Map of ${this.name} over time and station, ${moment(from)} to ${moment(to)}: largest ${withSd(values[best]!, sd?.[best], unit)} at station ${where} (best motion).`;
  }

  private showStation(): void {
    const { station } = this.bench.selection.value;
    this.level.hidden = station === null;
    if (station === null) return;
    this.level.style.left = `${this.over.left}px`;
    this.level.style.width = `${this.over.width}px`;
    this.level.style.transform = `translateY(${this.y(station)}px)`;
  }

  private y(station: number): number {
    return 1 + (1 - station / this.motion.length) * (this.over.height - 2);
  }

  private draw(): void {
    const { ctx } = this.sheet;
    const { left, width, height } = this.over;
    this.sheet.clear();
    this.fill(width, height - 2);
    ctx.drawImage(this.image, left, 1, width, height - 2);
    this.drawFront();
    this.drawScale();
  }

  /** Colours every pixel of the map by the value at its time and station. */
  private fill(width: number, height: number): void {
    const dense = window.devicePixelRatio || 1;
    const w = Math.max(1, Math.round(width * dense));
    const h = Math.max(1, Math.round(height * dense));
    this.image.width = w;
    this.image.height = h;
    const { motion } = this;
    const { values, high } = this.shown;
    const ramp = RAMPS[this.name];
    const { from, to } = this.bench.window.value;
    const rows = new Int32Array(h);
    for (let j = 0; j < h; j++) rows[j] = motion.row((1 - (j + 0.5) / h) * motion.length);
    const picture = new ImageData(w, h);
    const bytes = picture.data;
    for (let i = 0; i < w; i++) {
      const k = below(motion.time, from + ((i + 0.5) / w) * (to - from)) * motion.stations;
      for (let j = 0; j < h; j++) {
        const value = values[k + rows[j]!]!;
        const at = 4 * (j * w + i);
        if (!(value === value)) continue; // missing on the rigid grip: left open
        const c = 3 * ((255 * onRamp(value, high)) | 0);
        bytes[at] = ramp[c]!;
        bytes[at + 1] = ramp[c + 1]!;
        bytes[at + 2] = ramp[c + 2]!;
        bytes[at + 3] = 255;
      }
    }
    this.image.getContext("2d")!.putImageData(picture, 0, 0);
  }

  /** The bend's station over time, as points x, y. */
  private front(x: (t: number) => number, y: (s: number) => number): Float64Array {
    const front = this.motion.list("bend_station");
    if (!front) return new Float64Array(0);
    const { time, length } = this.motion;
    const { from, to } = this.bench.window.value;
    const points: number[] = [];
    let [lastX, lastY] = [-Infinity, -Infinity];
    for (let k = 0; k < front.length; k++) {
      // One beyond either edge, so that the line reaches it.
      if ((time[k + 1] ?? Infinity) < from || (time[k - 1] ?? -Infinity) > to) continue;
      const [px, py] = [x(time[k]!), y(front[k]!)];
      // Where it jumps from one bend to another, the line is lifted.
      const lifted = k > 0 && Math.abs(front[k]! - front[k - 1]!) > 0.12 * length;
      // Less than half a pixel on is no news, and thousands of points cost the browser dearly.
      if (!lifted && Math.abs(px - lastX) < 0.5 && Math.abs(py - lastY) < 0.5) continue;
      points.push(px, lifted ? NaN : py);
      [lastX, lastY] = [px, py];
    }
    return Float64Array.from(points);
  }

  private drawFront(): void {
    const { ctx } = this.sheet;
    const { left, width, height } = this.over;
    const points = this.front(
      (t) => this.over.x(t),
      (s) => this.y(s),
    );
    ctx.save();
    ctx.beginPath();
    ctx.rect(left, 0, width, height);
    ctx.clip();
    for (const [colour, thick] of [
      ["#000", 0.23 * rem()],
      ["#fff", 0.1 * rem()],
    ] as const) {
      ctx.beginPath();
      let down = false;
      for (let i = 0; i < points.length; i += 2) {
        if (!Number.isFinite(points[i + 1]!)) down = false;
        else if (down) ctx.lineTo(points[i]!, points[i + 1]!);
        else {
          ctx.moveTo(points[i]!, points[i + 1]!);
          down = true;
        }
      }
      ctx.strokeStyle = colour;
      ctx.globalAlpha = colour === "#000" ? 0.55 : 1;
      ctx.lineWidth = thick;
      ctx.stroke();
    }
    ctx.restore();
  }

  private drawScale(): void {
    const { ctx } = this.sheet;
    const size = 0.78 * rem();
    const { left, height } = this.over;
    ctx.font = `${size}px system-ui, sans-serif`;
    ctx.fillStyle = inks.soft;
    ctx.textAlign = "right";
    ctx.fillText(`${figures(this.motion.length, 3)} m`, left - 5, size + 1);
    ctx.fillText("0 m", left - 5, height - 4);
    if (height > 5 * size)
      ctx.fillText(`${figures(this.motion.length / 2, 3)} m`, left - 5, height / 2 + size / 3);
    // The ticks of the time line, on both edges so that they show on any colour beside them.
    const { from, to } = this.bench.window.value;
    ctx.fillStyle = inks.ink;
    for (const t of timeTicks(from, to, this.over.width)) {
      ctx.fillRect(this.over.x(t) - 0.5, height - 4, 1, 4);
      ctx.fillRect(this.over.x(t) - 0.5, 0, 1, 3);
    }
    for (const share of [0, 0.5, 1])
      ctx.fillRect(left - 4, 1 + share * (height - 3), 4, 1);
  }

  svg(): string {
    const painter = new SvgPainter(900, 380, inks.paper);
    const box = { x: 70, y: 30, width: 740, height: 290 };
    const field = this.motion.fields[this.name];
    const { from, to } = this.bench.window.value;
    const corners = [box.x, box.y, box.x + box.width, box.y, box.x, box.y + box.height];
    painter.image(this.image, this.image.width, this.image.height, corners);
    const x = (t: number): number => box.x + ((t - from) / (to - from)) * box.width;
    const y = (s: number): number => box.y + (1 - s / this.motion.length) * box.height;
    painter.clip(box.x, box.y, box.width, box.height, () => {
      painter.line(this.front(x, y), { stroke: "#000", width: 3.2, alpha: 0.55 });
      painter.line(this.front(x, y), { stroke: "#fff", width: 1.4 });
      const now = x(this.bench.time.value);
      painter.line([now, box.y, now, box.y + box.height], { stroke: inks.accent, width: 1.5 });
    });
    axes(
      painter,
      box,
      { low: 1e3 * from, high: 1e3 * to, name: "time [ms]" },
      { low: 0, high: this.motion.length, name: "station [m]" },
      inks.ink,
    );
    const what = this.ofSd ? `standard deviation of ${field.name}` : `${field.name}, best motion`;
    const title = `${this.bench.info.name}: ${what} [${field.unit}]`;
    painter.text(box.x, 19, title, { size: 13, colour: inks.ink, weight: "bold" });
    this.colourBar(painter, box.x + box.width + 18, box.y, box.height);
    return painter.toString();
  }

  private colourBar(painter: SvgPainter, x: number, y: number, height: number): void {
    const bar = document.createElement("canvas");
    bar.width = 1;
    bar.height = 256;
    const picture = new ImageData(1, 256);
    const ramp = RAMPS[this.name];
    for (let j = 0; j < 256; j++) {
      picture.data.set([...ramp.subarray(3 * (255 - j), 3 * (255 - j) + 3), 255], 4 * j);
    }
    bar.getContext("2d")!.putImageData(picture, 0, 0);
    painter.image(bar, 1, 256, [x, y, x + 12, y, x, y + height]);
    const { high, beyond } = this.shown;
    painter.text(x + 17, y + 9, `${beyond ? "≥ " : ""}${figures(high, 3)}`, { size: 11, colour: inks.ink });
    painter.text(x + 17, y + height / 2 + 4, figures(high / 4, 3), { size: 11, colour: inks.ink });
    painter.text(x + 17, y + height, "0", { size: 11, colour: inks.ink });
  }

  csv(): string {
    const { motion } = this;
    const { values, sd, unit } = motion.fields[this.name];
    const heading = Array.from(motion.station, (s) => {
      const at = `at ${figures(s, 6)} m [${unit}]`;
      return sd ? `${this.name} ${at},sd of ${this.name} ${at}` : `${this.name} ${at}`;
    });
    const lines = [["time [s]", ...heading].join(",")];
    const { from, to } = this.bench.window.value;
    for (let k = 0; k < motion.times; k++) {
      const t = motion.time[k]!;
      if (t < from || t > to) continue;
      const row: (number | string)[] = [t];
      const cell = (v: number): number | string => (Number.isFinite(v) ? v : "");
      for (let i = k * motion.stations; i < (k + 1) * motion.stations; i++) {
        row.push(cell(values[i]!));
        if (sd) row.push(cell(sd[i]!));
      }
      lines.push(row.join(","));
    }
    return lines.join("\n") + "\n";
  }
}
