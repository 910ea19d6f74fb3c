/** The kinds of mend and the fields of each, as the form shows them. */

import { figures } from "../core/format";

export type FieldKind =
  | "marker"
  | "label"
  | "camera"
  | "feature"
  | "time"
  | "frame"
  | "pixel"
  | "text"
  | "station"
  | "seconds"
  | "row"
  | "column"
  | "value";

/** Fields that are chosen from a list, or taken as they were typed. */
const TEXTS: FieldKind[] = ["text", "marker", "label", "camera", "feature", "column", "row"];

export interface MendField {
  name: string;
  say: string;
  kind: FieldKind;
  unit?: string;
  optional?: boolean;
}

export interface MendKind {
  kind: string;
  say: string;
  hint: string;
  fields: MendField[];
}

const SPAN: MendField[] = [
  { name: "from", say: "from", kind: "time", unit: "ms" },
  { name: "to", say: "to", kind: "time", unit: "ms" },
];
const CAMERA: MendField = { name: "camera", say: "camera", kind: "camera" };
const MARKER: MendField = { name: "marker", say: "marker", kind: "marker" };

export const MEND_KINDS: MendKind[] = [
  {
    kind: "reject-marker",
    say: "Set a marker span aside",
    hint: "Select a marker and mark a span (Shift and drag over time, or M and Shift M).",
    fields: [MARKER, ...SPAN],
  },
  {
    kind: "relabel-marker",
    say: "Relabel a marker span",
    hint: "The two labels are exchanged in the span, so no sighting is lost.",
    fields: [MARKER, { name: "as", say: "exchanged with", kind: "label" }, ...SPAN],
  },
  {
    kind: "correct-point",
    say: "Correct a point in a frame",
    hint: "Go to the frame, press Click in the frame, then click where the point is.",
    fields: [
      CAMERA,
      { name: "feature", say: "point", kind: "feature" },
      { name: "frame", say: "frame", kind: "frame" },
      { name: "u", say: "u", kind: "pixel", unit: "px" },
      { name: "v", say: "v", kind: "pixel", unit: "px" },
    ],
  },
  {
    kind: "reject-point",
    say: "Set points of a camera aside",
    hint: "All sightings of that point in the frames named.",
    fields: [
      CAMERA,
      { name: "feature", say: "point", kind: "feature" },
      { name: "from", say: "from frame", kind: "frame" },
      { name: "to", say: "to frame", kind: "frame" },
    ],
  },
  {
    kind: "clock-offset",
    say: "Set a clock offset",
    hint: "The lab time of the camera's frame 0.",
    fields: [
      CAMERA,
      { name: "offset", say: "offset", kind: "seconds", unit: "ms" },
      { name: "offset_sd", say: "its sd", kind: "seconds", unit: "ms", optional: true },
    ],
  },
  {
    kind: "station",
    say: "Change a station",
    hint: "Arc length from the butt to the marker.",
    fields: [MARKER, { name: "station", say: "station", kind: "station", unit: "m" }],
  },
  {
    kind: "line-table",
    say: "Use another line table",
    hint: "A CSV in the trial's folder, with the headings of line.csv.",
    fields: [{ name: "table", say: "file", kind: "text" }],
  },
  {
    kind: "line-entry",
    say: "Change an entry of the line table",
    hint: "In the unit that the line's own file states.",
    fields: [
      { name: "station", say: "row at", kind: "row", unit: "m" },
      { name: "column", say: "column", kind: "column" },
      { name: "value", say: "value", kind: "value" },
    ],
  },
];

/** Times are typed in milliseconds and sent in seconds; an entry in its column's unit. */
export function toSi(field: MendField, typed: string, factor = 1): string | number {
  if (field.kind === "value") return Number((factor * Number(typed)).toPrecision(12));
  if (["time", "seconds"].includes(field.kind))
    return Number((1e-3 * Number(typed)).toPrecision(12));
  if (["frame", "pixel", "station", "row", "value"].includes(field.kind)) return Number(typed);
  return typed;
}

/** What is wrong with two ends together, in the form's own unit; null where nothing is. */
export function spanFault(begin: string, end: string, low: number, high: number, unit: string): string | null {
  const [from, to] = [Number(begin), Number(end)];
  if (to < from) return `to: ${end} ${unit} is before from, ${begin} ${unit}`;
  // Half a hundredth of slack, for an end that was read off the page.
  for (const [name, typed, value] of [["from", begin, from], ["to", end, to]] as const) {
    if (value < low - 0.005 || value > high + 0.005)
      return `${name}: ${typed} ${unit} is outside of the record, ${figures(low, 6)} to ${figures(high, 6)} ${unit}`;
  }
  return null;
}

/** What is wrong with a typed value; null where nothing is. */
export function faultOf(field: MendField, typed: string): string | null {
  if (typed.trim() === "") return field.optional ? null : `${field.say} is missing`;
  if (TEXTS.includes(field.kind)) return null;
  const value = Number(typed);
  if (!Number.isFinite(value)) return `${field.say}: ${typed} is no number`;
  if (field.kind === "frame" && !Number.isInteger(value))
    return `${field.say}: a frame is a whole number`;
  if (field.kind === "station" && value < 0) return `${field.say}: cannot be negative`;
  return null;
}
