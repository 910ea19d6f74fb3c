/** Strokes over a frame, on the page and in an export alike. */
import { MARK } from "../core/colour";
import type { Bench } from "../model/bench";
import type { Overlay } from "../model/overlay";
import { TRUSTED } from "../model/sightings";
import type { Painter } from "../paint/painter";

/** Where pixel (0, 0) lies on the sheet, and how many sheet pixels one pixel takes. */
export interface Fit {
  scale: number;
  x: number;
  y: number;
}

let points = new Float32Array(0);

const DARK = { stroke: "#000", width: 4, alpha: 0.5 };
const LINE = { stroke: MARK.sky, width: 1.8 };
const FRONT = { stroke: MARK.purple, width: 1.4 };
const TIP = { stroke: "#fff", width: 1.6 };
const CHOSEN = { stroke: "#ffd400", width: 2.4 };
const USED = { stroke: MARK.orange, width: 2 };
const DOUBTED = { stroke: MARK.vermilion, width: 2 };
const cross = new Float32Array(4);

export function drawOverlay(painter: Painter, overlay: Overlay, bench: Bench, fit: Fit): void {
  const { line } = overlay;
  if (points.length !== line.length) points = new Float32Array(line.length);
  for (let i = 0; i < line.length; i += 2) {
    points[i] = fit.x + (line[i]! + 0.5) * fit.scale;
    points[i + 1] = fit.y + (line[i + 1]! + 0.5) * fit.scale;
  }
  painter.line(points, DARK);
  painter.line(points, LINE);
  drawFronts(painter, overlay, fit);
  drawSeen(painter, overlay, fit);
  const n = points.length;
  if (n > 1 && Number.isFinite(points[n - 2]!)) painter.circle(points[n - 2]!, points[n - 1]!, 5, TIP);
  const { station } = bench.selection.value;
  if (station !== null) {
    const at = overlay.at(station);
    if (at >= 0 && Number.isFinite(points[at]!)) painter.circle(points[at]!, points[at + 1]!, 9, CHOSEN);
  }
}

function drawFronts(painter: Painter, overlay: Overlay, fit: Fit): void {
  for (let i = overlay.firstFront; i < overlay.endFront; i++) {
    const x = fit.x + (overlay.fronts[2 * i]! + 0.5) * fit.scale;
    const y = fit.y + (overlay.fronts[2 * i + 1]! + 0.5) * fit.scale;
    painter.circle(x, y, 2, FRONT);
  }
}

/** Points seen in the frame: an upright cross where used, a leaning one where distrusted. */
function drawSeen(painter: Painter, overlay: Overlay, fit: Fit): void {
  const seen = overlay.points;
  if (!seen) return;
  for (let i = overlay.firstPoint; i < overlay.endPoint; i++) {
    const x = fit.x + (seen.uv[2 * i]! + 0.5) * fit.scale;
    const y = fit.y + (seen.uv[2 * i + 1]! + 0.5) * fit.scale;
    const doubted = seen.weight[i]! < TRUSTED;
    const lean = doubted ? 6 : 0;
    stroke(painter, x - 8, y - lean, x + 8, y + lean, doubted);
    stroke(painter, x + lean, y - 8, x - lean, y + 8, doubted);
  }
}

function stroke(painter: Painter, a: number, b: number, c: number, d: number, doubted: boolean): void {
  cross[0] = a;
  cross[1] = b;
  cross[2] = c;
  cross[3] = d;
  painter.line(cross, doubted ? DOUBTED : USED);
}
