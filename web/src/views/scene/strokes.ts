/** The 3-D view by strokes: for exports, and on the page where there is no WebGL. */
import { MARK, RAMPS, onRamp, rampColour } from "../../core/colour";
import { inks } from "../../core/theme";
import { frameAt } from "../../model/trial";
import type { Painter } from "../../paint/painter";
import { Shape, type SceneContent } from "./content";
import { ARM, AXES, bar } from "./compass";
import { groundLines } from "./ground";
import type { Orbit } from "./orbit";

interface Sheet {
  painter: Painter;
  orbit: Orbit;
  width: number;
  height: number;
}

function flatten(sheet: Sheet, xyz: ArrayLike<number>): Float32Array {
  const out = new Float32Array((2 * xyz.length) / 3);
  for (let i = 0, j = 0; i + 2 < xyz.length; i += 3, j += 2) {
    sheet.orbit.project(xyz[i]!, xyz[i + 1]!, xyz[i + 2]!, sheet.width, sheet.height, out, j);
  }
  return out;
}

export function strokeScene(sheet: Sheet, content: SceneContent, t: number): void {
  content.setRadius(sheet.orbit.perPixel(sheet.height));
  strokeGround(sheet, content);
  strokeAxes(sheet);
  strokeWindows(sheet, content, t);
  sheet.painter.line(flatten(sheet, content.trail()), { stroke: inks.soft, width: 1, alpha: 0.6 });
  strokeLine(sheet, content);
  strokeMarkers(sheet, content);
  strokeChosen(sheet, content);
}

function strokeGround(sheet: Sheet, content: SceneContent): void {
  const flat = flatten(sheet, groundLines(content.bounds));
  for (let i = 0; i < flat.length; i += 4) {
    sheet.painter.line(flat.subarray(i, i + 4), { stroke: inks.rule, width: 1 });
  }
}

/** The lab's axes and a bar of a round length, at the lower right corner. */
function strokeAxes(sheet: Sheet): void {
  const { painter, orbit, width, height } = sheet;
  const [x, y] = [width - 60, height - 60];
  AXES.forEach((name, i) => {
    const [dx, dy] = [ARM * orbit.right[i]!, -ARM * orbit.up[i]!];
    painter.line([x, y, x + dx, y + dy], { stroke: inks.ink, width: 1.6 });
    painter.text(x + 1.25 * dx - 4, y + 1.25 * dy + 4, name, { size: 12, colour: inks.ink });
  });
  const [length, pixels] = bar(orbit, height);
  painter.line([x - 40 - pixels, y + 40, x - 40, y + 40], { stroke: inks.ink, width: 2 });
  const text = { size: 12, colour: inks.ink, align: "middle" as const };
  painter.text(x - 40 - pixels / 2, y + 33, `${length} m`, text);
}

function strokeWindows(sheet: Sheet, content: SceneContent, t: number): void {
  for (const { camera, corners, frames } of content.windows) {
    const flat = flatten(sheet, corners.flat());
    const image = content.pictures ? frames.get(frameAt(camera, t)) : null;
    if (image) {
      const at = [flat[0]!, flat[1]!, flat[2]!, flat[3]!, flat[6]!, flat[7]!];
      sheet.painter.image(image, image.width, image.height, at);
    }
    sheet.painter.line(flat, { stroke: MARK.orange, width: 1.5 }, true);
  }
}

function strokeLine(sheet: Sheet, content: SceneContent): void {
  const { line, motion } = content.bench;
  if (!line || !motion) return;
  const flat = flatten(sheet, line.position);
  const perMetre = sheet.height / (2 * sheet.orbit.distance * Math.tan(0.3));
  const high = motion.fields.speed.high;
  for (let s = 0; s + 1 < motion.stations; s++) {
    const piece = flat.subarray(2 * s, 2 * s + 4);
    const band = 2 * perMetre * content.band * line.sd[s]!;
    const thick = 2 * perMetre * content.radius[s]!;
    if (band > 1) sheet.painter.line(piece, { stroke: MARK.sky, width: thick + band, alpha: 0.3 });
  }
  for (let s = 0; s + 1 < motion.stations; s++) {
    const piece = flat.subarray(2 * s, 2 * s + 4);
    const thick = 2 * perMetre * content.radius[s]!;
    sheet.painter.line(piece, { stroke: inks.ink, width: thick + 2.4 });
  }
  for (let s = 0; s + 1 < motion.stations; s++) {
    const piece = flat.subarray(2 * s, 2 * s + 4);
    const thick = 2 * perMetre * content.radius[s]!;
    const stroke = rampColour(RAMPS.speed, 0.25 + 0.75 * onRamp(line.speed[s]!, high));
    sheet.painter.line(piece, { stroke, width: thick });
  }
}

function strokeMarkers(sheet: Sheet, content: SceneContent): void {
  const flat = flatten(sheet, content.markerXyz);
  content.markerShape.forEach((shape, l) => {
    const [x, y] = [flat[2 * l]!, flat[2 * l + 1]!];
    if (shape === Shape.None || !Number.isFinite(x)) return;
    if (shape === Shape.Disc) sheet.painter.circle(x, y, 4, { fill: MARK.green, stroke: "#fff" });
    if (shape === Shape.Ring) sheet.painter.circle(x, y, 4.5, { stroke: MARK.purple, width: 2 });
    if (shape === Shape.Cross) {
      sheet.painter.line([x - 4, y - 4, x + 4, y + 4], { stroke: MARK.vermilion, width: 2.5 });
      sheet.painter.line([x - 4, y + 4, x + 4, y - 4], { stroke: MARK.vermilion, width: 2.5 });
    }
  });
}

function strokeChosen(sheet: Sheet, content: SceneContent): void {
  const { line, selection } = content.bench;
  if (!line) return;
  const place = new Float32Array(3);
  const ring = (station: number | null, colour: string, radius: number): void => {
    if (station === null || !Number.isFinite(station)) return;
    line.place(station, place);
    const flat = flatten(sheet, place);
    sheet.painter.circle(flat[0]!, flat[1]!, radius, { stroke: colour, width: 2 });
  };
  ring(content.frontStation, inks.ink, 8);
  ring(selection.value.station, inks.chosen, 10);
}
