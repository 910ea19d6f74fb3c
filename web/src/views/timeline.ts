/** The one time line: the whole record above, the window below, events, cameras, marker cover. */
import { figures, moment } from "../core/format";
import { inks, rem } from "../core/theme";
import type { Bench } from "../model/bench";
import { frameRange, frameTime, type TrialEvent } from "../model/trial";
import { ticks } from "../paint/axes";
import { SvgPainter } from "../paint/svg";
import { CanvasPainter } from "../paint/canvas";
import type { Painter } from "../paint/painter";
import { OverTime } from "./overtime";
import { Sheet, type View } from "./view";

export class TimelineView implements View {
  private readonly over: OverTime;
  private readonly sheet: Sheet;
  private readonly flags = document.createElement("div");
  private readonly overview = document.createElement("div");
  private readonly bracket = document.createElement("div");
  private readonly needle = document.createElement("div");
  private readonly offs: (() => void)[];

  constructor(
    private readonly bench: Bench,
    host: HTMLElement,
  ) {
    this.overview.className = "overview";
    this.bracket.className = "bracket";
    this.needle.className = "needle";
    this.overview.append(this.bracket, this.needle);
    host.before(this.overview);
    this.sheet = new Sheet(host);
    this.flags.className = "flags";
    host.append(this.flags);
    this.over = new OverTime(
      bench,
      host,
      () => undefined,
      () => this.draw(),
    );
    this.overview.addEventListener("pointerdown", this.pan);
    this.overview.addEventListener("pointermove", this.pan);
    this.offs = [bench.camera.on(() => this.draw())];
    this.resize();
  }

  resize(): void {
    this.sheet.fit();
    this.over.fit();
    this.overview.style.marginLeft = `${this.over.left}px`;
    this.overview.style.width = `${this.over.width}px`;
    this.draw();
    this.show(this.bench.time.value);
  }

  show(t: number): void {
    this.over.show(t);
    const { whole } = this.bench;
    const x = ((t - whole.from) / (whole.to - whole.from)) * this.over.width;
    this.needle.style.transform = `translateX(${x}px)`;
  }

  destroy(): void {
    this.offs.forEach((off) => off());
    this.over.destroy();
    this.overview.remove();
    this.sheet.canvas.remove();
    this.flags.remove();
  }

  /** Drags the window along the whole record. */
  private readonly pan = (event: PointerEvent): void => {
    if (event.type === "pointerdown") this.overview.setPointerCapture(event.pointerId);
    if (!this.overview.hasPointerCapture(event.pointerId)) return;
    const { whole, window: shown } = this.bench;
    const x = event.clientX - this.overview.getBoundingClientRect().left;
    const t = whole.from + (x / this.over.width) * (whole.to - whole.from);
    const half = (shown.value.to - shown.value.from) / 2;
    this.bench.look(t - half, t + half);
    this.bench.goTo(t);
  };

  describe(): string {
    const { from, to } = this.bench.window.value;
    const events = this.bench.info.events.map((e) => `${e.name} at ${moment(e.time, e.sd)}`);
    return `Shown: ${moment(from)} to ${moment(to)} of ${moment(this.bench.whole.from)} to ${moment(this.bench.whole.to)}. Events: ${events.join(", ") || "none"}.`;
  }

  private draw(): void {
    this.sheet.clear();
    const { left, width } = this.over;
    const size = 0.78 * rem();
    const painter = new CanvasPainter(this.sheet.ctx);
    this.paint(painter, left, width, this.over.height, size, (t) => this.over.x(t));
    this.drawFlags();
    const { whole } = this.bench;
    const { from, to } = this.bench.window.value;
    const length = whole.to - whole.from;
    this.bracket.style.transform = `translateX(${((from - whole.from) / length) * width}px)`;
    this.bracket.style.width = `${Math.max(((to - from) / length) * width, 3)}px`;
  }

  private paint(
    painter: Painter,
    left: number,
    width: number,
    height: number,
    size: number,
    x: (t: number) => number,
  ): void {
    const { from, to } = this.bench.window.value;
    const base = height - 1.5 * size;
    painter.clip(left, 0, width, height, () => {
      this.paintCover(painter, base, size, x);
      this.paintCameras(painter, base, size, x);
    });
    painter.line([left, base, left + width, base], { stroke: inks.soft });
    for (const ms of ticks(1e3 * from, 1e3 * to, width / 90)) {
      const px = x(1e-3 * ms);
      painter.line([px, base, px, base + 4], { stroke: inks.soft });
      const align = px > left + width - 1.5 * size ? ("end" as const) : ("middle" as const);
      painter.text(px, height - 2, figures(ms, 7), { size, colour: inks.soft, align });
    }
    painter.text(left - 1.6 * size, height - 2, "ms", { size, colour: inks.soft, align: "end" });
  }

  /** Share of the markers that were seen in each sample, as a hill. */
  private paintCover(painter: Painter, base: number, size: number, x: (t: number) => number): void {
    const seen = this.bench.sightings;
    if (!seen || !seen.labels.length) return;
    const { from, to } = this.bench.window.value;
    const points: number[] = [];
    const n = seen.time.length;
    const step = Math.max(1, Math.floor(n / 4000));
    for (let k = 0; k < n; k += step) {
      const t = seen.time[k]!;
      if (t < from - 0.01 || t > to + 0.01) continue;
      let count = 0;
      for (let l = 0; l < seen.labels.length; l++) if (seen.state(k, l) !== 0) count++;
      points.push(x(t), base - 1.1 * size * (count / seen.labels.length));
    }
    if (points.length < 2) return;
    points.push(points[points.length - 2]!, base, points[0]!, base);
    painter.line(points, { fill: inks.blue, alpha: 0.32 }, true);
  }

  /** A bar for the time in which each camera has frames, with a tick a frame once they part. */
  private paintCameras(
    painter: Painter,
    base: number,
    size: number,
    x: (t: number) => number,
  ): void {
    this.bench.info.cameras.forEach((camera, i) => {
      const [first, last] = frameRange(camera);
      const y = base - 1.4 * size - i * 0.45 * size;
      const begin = x(frameTime(camera, first));
      const end = x(frameTime(camera, last));
      const active = i === this.bench.camera.value;
      const style = { stroke: inks.orange, width: active ? 3 : 1.5 };
      painter.line([begin, y, Math.max(end, begin + 1), y], style);
      const gap = x(frameTime(camera, first + 1)) - begin;
      if (!active || gap < 4) return;
      const { from, to } = this.bench.window.value;
      for (let f = first; f <= last; f++) {
        const t = frameTime(camera, f);
        if (t < from || t > to) continue;
        painter.line([x(t), y - 3, x(t), y + 3], { stroke: inks.orange });
      }
    });
  }

  private drawFlags(): void {
    this.flags.replaceChildren();
    const { from, to } = this.bench.window.value;
    const shown = this.bench.info.events
      .filter((event) => event.time >= from && event.time <= to)
      .sort((a, b) => a.time - b.time);
    const taken: [number, number][][] = [[], [], []];
    const end = this.over.left + this.over.width;
    for (const event of shown) {
      const x = this.over.x(event.time);
      const long = (event.name.length * 0.52 + 1) * rem();
      // Near the right edge the name stands to the left of its line.
      const turned = end - x < long;
      const [a, b] = turned ? [x - long, x] : [x, x + long];
      // A name takes the first row in which it touches no other; without one it is left to a hint.
      const row = taken.findIndex((names) => names.every(([p, q]) => b < p || a > q));
      taken[row]?.push([a, b]);
      this.flags.append(this.flag(event, x, row, turned));
    }
  }

  private flag(event: TrialEvent, x: number, row: number, turned: boolean): HTMLElement {
    const flag = document.createElement("button");
    const named = row >= 0;
    flag.className = "flag";
    flag.classList.toggle("turned", turned);
    flag.style.paddingTop = `${1.14 * Math.max(row, 0)}em`;
    flag.style.transform = turned ? `translateX(calc(${x}px - 100%))` : `translateX(${x}px)`;
    flag.title = `${event.name}: ${event.text}`;
    flag.textContent = named ? event.name : "";
    flag.setAttribute("aria-label", `go to ${event.name}`);
    flag.addEventListener("pointerdown", (press) => press.stopPropagation());
    flag.addEventListener("click", () => {
      this.bench.frame(event.time);
      if (event.station !== null) this.bench.select(event.station);
    });
    return flag;
  }

  svg(): string {
    const painter = new SvgPainter(900, 90, inks.paper);
    const { from, to } = this.bench.window.value;
    const x = (t: number): number => 60 + ((t - from) / (to - from)) * 820;
    this.paint(painter, 60, 820, 80, 11, x);
    let free = -Infinity;
    for (const event of [...this.bench.info.events].sort((a, b) => a.time - b.time)) {
      if (event.time < from || event.time > to) continue;
      painter.line([x(event.time), 14, x(event.time), 64], { stroke: inks.accent });
      if (x(event.time) < free) continue;
      free = x(event.time) + 6 * event.name.length;
      painter.text(x(event.time) + 3, 22, event.name, { size: 10, colour: inks.ink });
    }
    return painter.toString();
  }
}
