/** A plot of lists over time, with bands, on the common axis. */
import uPlot from "uplot";
import { figures, moment, readableUnit, withSd } from "../core/format";
import { inks, rem } from "../core/theme";
import type { Bench } from "../model/bench";
import type { Motion } from "../model/motion";
import { below, nearest } from "../model/search";
import { axes, timeTicks } from "../paint/axes";
import { SvgPainter } from "../paint/svg";
import { OverTime } from "./overtime";
import type { Curve, Plotted } from "./plotted";
import type { View } from "./view";

export class PlotView implements View {
  private readonly over: OverTime;
  private plot: uPlot | null = null;
  private shown: Plotted | null = null;

  constructor(
    private readonly bench: Bench,
    private readonly motion: Motion,
    private readonly host: HTMLElement,
    private readonly what: () => Plotted | null,
  ) {
    this.over = new OverTime(
      bench,
      host,
      () => undefined,
      () => this.rescale(),
      (t) => this.tell(t),
    );
    this.resize();
  }

  /** Makes the plot again: other curves, other colours, or another size. */
  resize(): void {
    this.over.fit();
    this.plot?.destroy();
    this.shown = this.what();
    this.plot = this.shown ? this.make(this.shown) : null;
    this.show(this.bench.time.value);
  }

  show(t: number): void {
    this.over.show(t);
  }

  destroy(): void {
    this.over.destroy();
    this.plot?.destroy();
  }

  /** What the curves are at a moment, for the pointer. */
  private tell(t: number): string | null {
    const what = this.shown;
    if (!what) return null;
    const k = nearest(this.motion.time, t);
    const values = what.curves.map((c) => {
      const sd = c.low && c.high ? (c.high[k]! - c.low[k]!) / 3.92 : null;
      const of = c.best ? "best motion" : c.low ? "median of draws" : "";
      return `${c.name} ${withSd(c.values[k]!, sd, what.unit)}${of ? ` (${of})` : ""}`;
    });
    return [moment(this.motion.time[k]!), ...values].join("\n");
  }

  /** A sentence for those who do not see the curves: least and greatest in what is shown. */
  describe(): string {
    const what = this.shown;
    if (!what) return "No curve: the list is not among the answers.";
    const { from, to } = this.bench.window.value;
    const [begin, end] = [below(this.motion.time, from), below(this.motion.time, to) + 1];
    const parts = what.curves.map((c) => {
      let [low, high] = [begin, begin];
      for (let k = begin; k < end; k++) {
        if (c.values[k]! < c.values[low]!) low = k;
        if (c.values[k]! > c.values[high]!) high = k;
      }
      const said = (k: number): string =>
        `${withSd(c.values[k]!, c.low && c.high ? (c.high[k]! - c.low[k]!) / 3.92 : null, what.unit)} at ${moment(this.motion.time[k]!)}`;
      const of = c.best ? " (best motion)" : c.low ? " (median of draws)" : "";
      return `${c.name}${of} goes from ${said(low)} to ${said(high)}`;
    });
    return `${what.title}, ${moment(from)} to ${moment(to)}: ${parts.join("; ")}.`;
  }

  private rescale(): void {
    const { from, to } = this.bench.window.value;
    this.plot?.setScale("x", { min: from, max: to });
  }

  private make(what: Plotted): uPlot {
    const size = rem();
    const { from, to } = this.bench.window.value;
    const data: uPlot.AlignedData = [this.motion.time, ...columns(what)];
    const font = `${0.78 * size}px system-ui, sans-serif`;
    const { series, bands } = drawn(what, 0.1 * size);
    const options: uPlot.Options = {
      width: this.host.clientWidth,
      height: Math.max(this.host.clientHeight, 20),
      padding: [4, Math.round(0.75 * size), 4, 0],
      legend: { show: false },
      cursor: { show: false },
      scales: {
        x: { time: false, min: from, max: to, auto: false },
        y: {
          range: (_, low, high) => [
            Math.min(low, 0),
            high > low ? high + 0.14 * (high - low) : low + 1,
          ],
        },
      },
      axes: [
        {
          size: 0,
          grid: { stroke: inks.rule, width: 1 },
          ticks: { show: false },
          splits: (u) => timeTicks(u.scales["x"]!.min!, u.scales["x"]!.max!, this.over.width),
          values: (_, splits) => splits.map(() => ""),
        },
        {
          size: this.over.left,
          font,
          stroke: inks.soft,
          grid: { stroke: inks.rule, width: 1 },
          ticks: { show: false },
          gap: 4,
          space: 1.7 * size,
          values: (_, splits) => splits.map((v) => figures(v, 5)),
        },
      ],
      series,
      bands,
      hooks: { draw: [(u) => this.drawLevel(u, what, font)] },
    };
    return new uPlot(options, data, this.host);
  }

  private drawLevel(u: uPlot, what: Plotted, font: string): void {
    const level = what.level;
    if (!level || level.value > (u.scales["y"]?.max ?? 0)) return;
    const y = u.valToPos(level.value, "y", true);
    const { ctx, bbox } = u;
    const dense = window.devicePixelRatio || 1;
    ctx.save();
    ctx.strokeStyle = inks.soft;
    ctx.setLineDash([4 * dense, 4 * dense]);
    ctx.beginPath();
    ctx.moveTo(bbox.left, y);
    ctx.lineTo(bbox.left + bbox.width, y);
    ctx.stroke();
    ctx.fillStyle = inks.soft;
    ctx.font = font.replace(/^[\d.]+/, (n) => String(dense * Number(n)));
    ctx.textAlign = "left";
    // Below its line where it has no room above.
    const roomy = y - bbox.top > 1.1 * parseFloat(ctx.font);
    ctx.textBaseline = roomy ? "bottom" : "top";
    ctx.fillText(level.name, bbox.left + 6 * dense, y + (roomy ? -1 : 2) * dense);
    ctx.restore();
  }

  svg(): string {
    const painter = new SvgPainter(900, 360, inks.paper);
    const what = this.shown;
    if (!what) return painter.toString();
    const box = { x: 80, y: 34, width: 790, height: 270 };
    const { from, to } = this.bench.window.value;
    const [low, high] = this.range(what, from, to);
    const x = (t: number): number => box.x + ((t - from) / (to - from)) * box.width;
    const y = (v: number): number => box.y + (1 - (v - low) / (high - low)) * box.height;
    painter.clip(box.x, box.y, box.width, box.height, () => {
      for (const curve of what.curves) this.strokeCurve(painter, curve, x, y);
      const now = x(this.bench.time.value);
      painter.line([now, box.y, now, box.y + box.height], { stroke: inks.accent, width: 1.5 });
    });
    const name = `${what.title} [${readableUnit(what.unit) || "1"}]`;
    axes(
      painter,
      box,
      { low: 1e3 * from, high: 1e3 * to, name: "time [ms]" },
      { low, high, name },
      inks.ink,
    );
    let at = box.x;
    painter.text(at, 20, this.bench.info.name, { size: 13, colour: inks.ink, weight: "bold" });
    at = box.x + box.width;
    for (const curve of [...what.curves].reverse()) {
      painter.text(at, 20, curve.name, { size: 12, colour: inks[curve.ink], align: "end" });
      at -= 7 * curve.name.length + 24;
    }
    return painter.toString();
  }

  private strokeCurve(
    painter: SvgPainter,
    curve: Curve,
    x: (t: number) => number,
    y: (v: number) => number,
  ): void {
    const { time } = this.motion;
    if (curve.low && curve.high) {
      const band: number[] = [];
      for (let k = 0; k < time.length; k++) band.push(x(time[k]!), y(curve.high[k]!));
      for (let k = time.length - 1; k >= 0; k--) band.push(x(time[k]!), y(curve.low[k]!));
      painter.line(band, { fill: inks[curve.ink], alpha: 0.25 }, true);
    }
    const points: number[] = [];
    for (let k = 0; k < time.length; k++) points.push(x(time[k]!), y(curve.values[k]!));
    const dash = curve.dash ? { dash: curve.dash } : {};
    painter.line(points, { stroke: inks[curve.ink], width: 1.6, ...dash });
  }

  private range(what: Plotted, from: number, to: number): [number, number] {
    const begin = below(this.motion.time, from);
    const end = below(this.motion.time, to) + 1;
    let low = 0;
    let high = -Infinity;
    for (const column of columns(what)) {
      for (let k = begin; k < end; k++) {
        const v = column[k]!;
        if (v < low) low = v;
        if (v > high) high = v;
      }
    }
    return [low, high > low ? high + 0.04 * (high - low) : low + 1];
  }

  csv(): string {
    const what = this.shown;
    if (!what) return "";
    const heads = ["time [s]"];
    for (const curve of what.curves) {
      heads.push(`${curve.name} [${what.unit}]`);
      if (curve.low) heads.push(`${curve.name} 2.5 % [${what.unit}]`);
      if (curve.high) heads.push(`${curve.name} 97.5 % [${what.unit}]`);
    }
    const all = columns(what);
    const lines = [heads.join(",")];
    const { time } = this.motion;
    const { from, to } = this.bench.window.value;
    for (let k = 0; k < time.length; k++) {
      if (time[k]! < from || time[k]! > to) continue;
      lines.push([time[k], ...all.map((c) => (Number.isFinite(c[k]!) ? c[k] : ""))].join(","));
    }
    return lines.join("\n") + "\n";
  }
}

/** Values of all curves, each followed by its band where it has one. */
function columns(what: Plotted): Float32Array[] {
  return what.curves.flatMap((c) => [
    c.values,
    ...(c.low ? [c.low] : []),
    ...(c.high ? [c.high] : []),
  ]);
}

function drawn(what: Plotted, width: number): { series: uPlot.Series[]; bands: uPlot.Band[] } {
  const series: uPlot.Series[] = [{}];
  const bands: uPlot.Band[] = [];
  for (const curve of what.curves) {
    const colour = inks[curve.ink];
    const dash = curve.dash ? { dash: curve.dash } : {};
    series.push({ stroke: colour, width, points: { show: false }, ...dash });
    if (curve.low && curve.high) {
      const edge = { stroke: "transparent", width: 0, points: { show: false } };
      series.push(edge, edge);
      bands.push({ series: [series.length - 1, series.length - 2], fill: fade(colour) });
    }
  }
  return { series, bands };
}

function fade(colour: string): string {
  return `${colour}42`;
}
