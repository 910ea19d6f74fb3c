/** A trial's description as the page edits it: nested as trial.toml, reached by dotted paths. */

export type Description = Record<string, unknown>;

export interface Fault {
  field: string;
  problem: string;
  remedy: string;
}

export interface FoundColumn {
  name: string;
  unit: string | null;
  means: string | null;
  /** The unit was guessed by the size of the numbers. */
  guessed?: boolean;
}

/** Units that the user states in place of those read or guessed: by file, by column. */
export type Units = Record<string, Record<string, string>>;

export interface FoundFile {
  name: string;
  kind: string;
  columns: FoundColumn[];
  rows: number | null;
  rate: number | null;
  problems: string[];
  labels?: string[];
  coverage?: Record<string, number>;
  length?: number | null;
  features?: string[];
}

export interface Inspection {
  files: FoundFile[];
  guess: Description;
}

export interface StepProps {
  description: Description;
  set: (path: string, value: unknown) => void;
  faults: Fault[];
  found: Inspection | null;
}

export function get(description: Description, path: string): unknown {
  let here: unknown = description;
  for (const key of path.split(".")) {
    if (here === null || typeof here !== "object") return undefined;
    here = (here as Record<string, unknown>)[key];
  }
  return here;
}

/** A copy with one value changed; undefined or an empty text takes the field out. */
export function put(description: Description, path: string, value: unknown): Description {
  return place(description, path.split("."), value) as Description;
}

function place(here: unknown, keys: string[], value: unknown): unknown {
  const [key, ...rest] = keys as [string, ...string[]];
  const old = here as Record<string, unknown> | unknown[] | undefined;
  const next = rest.length
    ? place((old as Record<string, unknown> | undefined)?.[key], rest, value)
    : value;
  if (Array.isArray(old)) {
    const list = [...old];
    list[Number(key)] = next;
    return list.filter((entry) => entry !== undefined);
  }
  const copy: Record<string, unknown> = { ...(old ?? {}) };
  if (next === undefined || next === "") delete copy[key];
  else copy[key] = next;
  return copy;
}

/** A length as trial.toml has it ("0.15 m", "150 mm" or a bare number) in metres; nan if unclear. */
export function metres(value: unknown): number {
  if (typeof value === "number") return value;
  const match = /^\s*([-+\d.eE]+)\s*(mm|cm|m)?\s*$/.exec(String(value ?? ""));
  if (!match) return NaN;
  return Number(match[1]) * { mm: 1e-3, cm: 1e-2, m: 1 }[(match[2] ?? "m") as "mm" | "cm" | "m"];
}

/** A field as the form names it: cameras.0.rate is the rate of camera 1. */
export function fieldName(path: string): string {
  const [first, ...rest] = path.split(".");
  if (first === "cameras" && rest.length)
    return `camera ${Number(rest[0]) + 1}, ${rest.slice(1).join(" ").replace(/_/g, " ")}`;
  return path.replace(/\./g, ", ").replace(/_/g, " ");
}
