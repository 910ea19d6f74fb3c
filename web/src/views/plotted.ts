/** What a plot shows: which lists over time, with their bands. */
import type { Bench } from "../model/bench";
import type { Motion } from "../model/motion";

export interface Curve {
  name: string;
  values: Float32Array;
  low?: Float32Array;
  high?: Float32Array;
  /** Dashes of its stroke [px]: with them two curves of one colour are told apart. */
  dash?: number[];
  ink: "blue" | "orange" | "green" | "purple" | "ink";
  /** Whether it is of the best motion; else the median of the draws at each moment. */
  best?: boolean;
}

export interface Plotted {
  key: string;
  title: string;
  unit: string;
  curves: Curve[];
  /** A level to mark, with its name. */
  level?: { value: number; name: string };
}

function withBand(motion: Motion, list: string, name: string, ink: Curve["ink"]): Curve | null {
  const values = motion.list(list);
  if (!values) return null;
  const low = motion.list(`${list}_low`);
  const high = motion.list(`${list}_high`);
  return { name, values, ink, ...(low && high ? { low, high } : {}) };
}

function tipSpeed(bench: Bench, motion: Motion): Plotted {
  const tip = withBand(motion, "tip_speed", "tip", "blue") ?? {
    name: "tip",
    ...motion.trace("speed", motion.stations - 1),
    ink: "blue" as const,
    best: true,
  };
  const curves: Curve[] = [tip];
  const { station } = bench.selection.value;
  if (station !== null) {
    const trace = motion.trace("speed", motion.row(station));
    curves.push({ name: `${station.toFixed(3)} m`, ...trace, ink: "orange", best: true });
  }
  const sound = bench.info.quantities["speed_of_sound"]?.value;
  const level = sound ? { level: { value: sound, name: "speed of sound" } } : {};
  return { key: "tip_speed", title: "Speed of the tip", unit: "m/s", curves, ...level };
}

function force(bench: Bench, motion: Motion): Plotted | null {
  const hand = withBand(motion, "hand_force", "hand", "blue");
  const curves: Curve[] = hand ? [hand] : [];
  const { station } = bench.selection.value;
  if (station !== null) {
    const trace = motion.trace("tension", motion.row(station));
    const name = `tension at ${station.toFixed(3)} m`;
    curves.push({ name, ...trace, ink: "orange", best: true });
  }
  return curves.length ? { key: "hand_force", title: "Hand force", unit: "N", curves } : null;
}

/** The whole account, as in the report: work of the hand, energy stored and lost, and the rest. */
const ACCOUNT: [list: string, name: string, ink: Curve["ink"], dash?: number[]][] = [
  ["hand_work", "hand's work", "ink"],
  ["kinetic_energy", "kinetic", "blue"],
  ["potential_energy", "gravity", "green"],
  ["bending_energy", "bending", "purple"],
  ["drag_loss", "air", "orange", [6, 3]],
  ["tuft_loss", "tuft", "purple", [6, 3]],
  ["damping_loss", "damping", "blue", [6, 3]],
  ["unexplained_work", "unexplained", "ink", [2, 3]],
];
/** Counted from the first sample, as the rest of the account is. */
const FROM_FIRST = new Set(["kinetic_energy", "bending_energy"]);

function energies(motion: Motion): Plotted | null {
  const curves: Curve[] = [];
  for (const [list, name, ink, dash] of ACCOUNT) {
    const curve = withBand(motion, list, name, ink);
    if (!curve || curve.values.every((v) => v === 0)) continue;
    curves.push({ ...(FROM_FIRST.has(list) ? lowered(curve) : curve), ...(dash ? { dash } : {}) });
  }
  return curves.length ? { key: "energy", title: "Energy account", unit: "J", curves } : null;
}

function lowered(curve: Curve): Curve {
  const first = curve.values[0]!;
  const less = (values: Float32Array): Float32Array => values.map((v) => v - first);
  const { low, high } = curve;
  return { ...curve, values: less(curve.values), ...(low && high ? { low: less(low), high: less(high) } : {}) };
}

function plain(name: string): string {
  return name.replace(/_/g, " ");
}

/** Keys and titles of all that can be plotted for a trial. */
export function choices(motion: Motion): [string, string][] {
  const fixed: [string, string][] = [
    ["tip_speed", "Speed of the tip"],
    ["hand_force", "Hand force"],
    ["energy", "Energy account"],
  ];
  const rest = Object.entries(motion.lists)
    .filter(([name]) => !/_(low|high)$/.test(name) && !fixed.some(([key]) => key === name))
    .map(([name, info]): [string, string] => [name, info.long_name || plain(name)]);
  return [...fixed, ...rest];
}

/** The curves behind a key; null where the answers do not hold them. */
export function plotted(bench: Bench, motion: Motion, key: string): Plotted | null {
  if (key === "tip_speed") return tipSpeed(bench, motion);
  if (key === "hand_force") return force(bench, motion);
  if (key === "energy") return energies(motion);
  const curve = withBand(motion, key, plain(key), "blue");
  const info = motion.lists[key];
  if (!curve || !info) return null;
  return { key, title: info.long_name || plain(key), unit: info.unit, curves: [curve] };
}
