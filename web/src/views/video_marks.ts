/** Strokes over a frame, on the page and in an export alike. */
import { MARK } from "../core/colour";
import type { Bench } from "../model/bench";
import type { Overlay } from "../model/overlay";
import { TRUSTED } from "../model/sightings";
import type { Painter, Style } from "../paint/painter";

/** Where pixel (0, 0) lies on the sheet, how many sheet pixels one pixel takes, and how stout
 * the strokes are. */
export interface Fit {
  scale: number;
  x: number;
  y: number;
  stout: number;
}

let points = new Float32Array(0);
const cross = new Float32Array(4);
let stout = NaN;

const DARK = { stroke: "#000", width: 4, alpha: 0.5 };
const LINE = { stroke: MARK.sky, width: 1.8 };
const FRONT = { stroke: MARK.purple, width: 1.4 };
const TIP = { stroke: "#fff", width: 1.6 };
const CHOSEN = { stroke: "#ffd400", width: 2.4 };
const USED = { stroke: MARK.orange, width: 2 };
const DOUBTED = { stroke: MARK.vermilion, width: 2 };
const STYLES = [DARK, LINE, FRONT, TIP, CHOSEN, USED, DOUBTED];
const WIDTHS = STYLES.map((style) => style.width);

/** Strokes are made stouter once, not for every frame. */
function setStout(next: number): void {
  if (next === stout) return;
  stout = next;
  STYLES.forEach((style, i) => (style.width = WIDTHS[i]! * next));
}

export function drawOverlay(painter: Painter, overlay: Overlay, bench: Bench, fit: Fit): void {
  const { line } = overlay;
  setStout(fit.stout);
  if (points.length !== line.length) points = new Float32Array(line.length);
  for (let i = 0; i < line.length; i += 2) {
    points[i] = fit.x + (line[i]! + 0.5) * fit.scale;
    points[i + 1] = fit.y + (line[i + 1]! + 0.5) * fit.scale;
  }
  painter.line(points, DARK);
  painter.line(points, LINE);
  drawFronts(painter, overlay, fit);
  drawSeen(painter, overlay, fit);
  drawMoved(painter, overlay, fit);
  ring(painter, points.length - 2, 5, TIP);
  const { station } = bench.selection.value;
  if (station !== null) ring(painter, overlay.at(station), 9, CHOSEN);
}

function ring(painter: Painter, at: number, radius: number, style: Style): void {
  const x = points[at];
  if (x === undefined || !Number.isFinite(x)) return;
  painter.circle(x, points[at + 1]!, radius * stout, style);
}

function drawFronts(painter: Painter, overlay: Overlay, fit: Fit): void {
  for (let i = overlay.firstFront; i < overlay.endFront; i++) {
    const x = fit.x + (overlay.fronts[2 * i]! + 0.5) * fit.scale;
    const y = fit.y + (overlay.fronts[2 * i + 1]! + 0.5) * fit.scale;
    painter.circle(x, y, 2 * stout, FRONT);
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
    const arm = (doubted ? 6 : 8) * stout;
    const lean = doubted ? arm : 0;
    stroke(painter, x - arm, y - lean, x + arm, y + lean, doubted);
    stroke(painter, x + lean, y - arm, x - lean, y + arm, doubted);
  }
}

/** A point corrected by hand: a small ring where it was, and a stroke to where it is. */
function drawMoved(painter: Painter, overlay: Overlay, fit: Fit): void {
  for (const { was, is } of overlay.moved) {
    if (!was) continue;
    const [x, y] = [fit.x + (was[0] + 0.5) * fit.scale, fit.y + (was[1] + 0.5) * fit.scale];
    painter.circle(x, y, 5 * stout, DOUBTED);
    stroke(painter, x, y, fit.x + (is[0] + 0.5) * fit.scale, fit.y + (is[1] + 0.5) * fit.scale, false);
  }
}

function stroke(
  painter: Painter,
  a: number,
  b: number,
  c: number,
  d: number,
  doubted: boolean,
): void {
  cross[0] = a;
  cross[1] = b;
  cross[2] = c;
  cross[3] = d;
  painter.line(cross, doubted ? DOUBTED : USED);
}
