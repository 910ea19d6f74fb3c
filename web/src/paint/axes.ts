/** Ticks and frames of exported pictures. */
import { figures } from "../core/format";
import type { Painter } from "./painter";

export interface Box {
  x: number;
  y: number;
  width: number;
  height: number;
}

export interface Scale {
  low: number;
  high: number;
  name: string;
}

/** Round numbers (1, 2 or 5 times a power of ten apart) within a range. */
export function ticks(low: number, high: number, most: number): number[] {
  const raw = (high - low) / Math.max(most, 1);
  if (!(raw > 0)) return [low];
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= raw) ?? 10 * power;
  const out: number[] = [];
  for (let i = Math.ceil(low / step); i * step <= high + 1e-9 * step; i++) out.push(i * step);
  return out;
}

/** Moments [s] of the ticks that all views over time share, for a width [px]. */
export function timeTicks(from: number, to: number, width: number): number[] {
  return ticks(1e3 * from, 1e3 * to, width / 90).map((ms) => 1e-3 * ms);
}

/** The time axis below a box, for a stretch [s]. */
export function timeAxis(painter: Painter, box: Box, from: number, to: number, ink: string): void {
  across(painter, box, { low: 1e3 * from, high: 1e3 * to, name: "time [ms]" }, ink);
}

function across(painter: Painter, box: Box, x: Scale, ink: string): void {
  const bottom = box.y + box.height;
  for (const value of ticks(x.low, x.high, box.width / 90)) {
    const px = box.x + ((value - x.low) / (x.high - x.low)) * box.width;
    painter.line([px, bottom, px, bottom + 4], { stroke: ink });
    painter.text(px, bottom + 16, figures(value, 7), { size: 11, colour: ink, align: "middle" });
  }
  const middle = box.x + box.width / 2;
  painter.text(middle, bottom + 34, x.name, { size: 12, colour: ink, align: "middle" });
}

export function axes(painter: Painter, box: Box, x: Scale, y: Scale, ink: string): void {
  painter.rect(box.x, box.y, box.width, box.height, { stroke: ink, alpha: 0.6 });
  const bottom = box.y + box.height;
  across(painter, box, x, ink);
  for (const value of ticks(y.low, y.high, box.height / 40)) {
    const py = bottom - ((value - y.low) / (y.high - y.low)) * box.height;
    painter.line([box.x - 4, py, box.x, py], { stroke: ink });
    painter.text(box.x - 7, py + 4, figures(value, 5), { size: 11, colour: ink, align: "end" });
  }
  painter.text(box.x - 46, box.y + box.height / 2, y.name, {
    size: 12,
    colour: ink,
    align: "middle",
    upright: true,
  });
}
