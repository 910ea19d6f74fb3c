/** Curves of several answers over one clock, as SVG. */
import { readableUnit } from "../core/format";
import type { Inks } from "../core/theme";
import type { Motion } from "../model/motion";
import { axes } from "../paint/axes";
import { SvgPainter } from "../paint/svg";

export interface Overlaid {
  name: string;
  /** When its tip is fastest, which becomes 0 [s]. */
  peak: number;
  motion: Motion;
}

export interface Span {
  from: number;
  to: number;
}

const COLOURS = ["blue", "orange", "green", "purple", "ink"] as const;
const DASHES: (number[] | null)[] = [null, [8, 4], [2, 4], [10, 3, 2, 3]];

export function overlaid(
  all: Overlaid[],
  list: string,
  unit: string,
  wanted: Span,
  inks: Inks,
): string {
  const painter = new SvgPainter(1100, 440, inks.paper);
  const box = { x: 84, y: 20 + 18 * all.length, width: 990, height: 360 - 18 * all.length };
  const span = limits(all, wanted);
  const [low, high] = range(all, list, span);
  const x = (t: number): number => box.x + ((t - span.from) / (span.to - span.from)) * box.width;
  const y = (v: number): number => box.y + (1 - (v - low) / (high - low)) * box.height;
  painter.clip(box.x, box.y, box.width, box.height, () => {
    all.forEach((one, i) => band(painter, one, list, inks[COLOURS[i % 5]!], x, y));
    all.forEach((one, i) => {
      const values = one.motion.list(list)!;
      const points = Array.from(one.motion.time).flatMap((t, k) => [x(t - one.peak), y(values[k]!)]);
      painter.line(points, styleOf(i, inks));
    });
  });
  painter.line([x(0), box.y, x(0), box.y + box.height], { stroke: inks.soft, dash: [2, 3] });
  const name = `${list.replace(/_/g, " ")} [${readableUnit(unit) || "1"}]`;
  const time = { low: 1e3 * span.from, high: 1e3 * span.to, name: "time since the peak [ms]" };
  axes(painter, box, time, { low, high, name }, inks.ink);
  all.forEach((one, i) => {
    const row = 16 + 18 * i;
    painter.line([box.x, row - 4, box.x + 34, row - 4], styleOf(i, inks));
    painter.text(box.x + 42, row, one.name, { size: 13, colour: inks.ink });
  });
  return painter.toString();
}

function styleOf(i: number, inks: Inks): { stroke: string; width: number; dash?: number[] } {
  const dash = DASHES[i % DASHES.length];
  return { stroke: inks[COLOURS[i % 5]!], width: 1.8, ...(dash ? { dash } : {}) };
}

function limits(all: Overlaid[], wanted: Span): Span {
  const firsts = all.map((one) => one.motion.time[0]! - one.peak);
  const lasts = all.map((one) => one.motion.time[one.motion.times - 1]! - one.peak);
  return {
    from: Math.max(wanted.from, Math.min(...firsts)),
    to: Math.min(wanted.to, Math.max(...lasts)),
  };
}

function range(all: Overlaid[], list: string, span: Span): [number, number] {
  let [low, high] = [0, -Infinity];
  for (const { motion, peak } of all) {
    for (const end of ["", "_low", "_high"]) {
      const values = motion.list(list + end);
      if (!values) continue;
      for (let k = 0; k < motion.times; k++) {
        const t = motion.time[k]! - peak;
        if (t < span.from || t > span.to || !Number.isFinite(values[k]!)) continue;
        low = Math.min(low, values[k]!);
        high = Math.max(high, values[k]!);
      }
    }
  }
  return [low, high > low ? high + 0.04 * (high - low) : low + 1];
}

function band(
  painter: SvgPainter,
  { motion, peak }: Overlaid,
  list: string,
  fill: string,
  x: (t: number) => number,
  y: (v: number) => number,
): void {
  const [low, high] = [motion.list(`${list}_low`), motion.list(`${list}_high`)];
  if (!low || !high) return;
  const points: number[] = [];
  for (let k = 0; k < motion.times; k++) points.push(x(motion.time[k]! - peak), y(high[k]!));
  for (let k = motion.times - 1; k >= 0; k--) points.push(x(motion.time[k]! - peak), y(low[k]!));
  painter.line(points, { fill, alpha: 0.22 }, true);
}
