/** What a plot shows: which lists over time, with their bands. */
import type { Bench } from "../model/bench";
import type { Motion } from "../model/motion";

export interface Curve {
  name: string;
  values: Float32Array;
  low?: Float32Array;
  high?: Float32Array;
  ink: "blue" | "orange" | "green" | "purple" | "ink";
}

export interface Plotted {
  key: string;
  title: string;
  unit: string;
  curves: Curve[];
  /** A level to mark, with its name. */
  level?: { value: number; name: string };
}

const INKS = ["blue", "orange", "green", "purple", "ink"] as const;

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
    values: motion.trace("speed", motion.stations - 1),
    ink: "blue" as const,
  };
  const curves: Curve[] = [tip];
  const { station } = bench.selection.value;
  if (station !== null) {
    const values = motion.trace("speed", motion.row(station));
    curves.push({ name: `${station.toFixed(3)} m`, values, ink: "orange" });
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
    const values = motion.trace("tension", motion.row(station));
    curves.push({ name: `tension at ${station.toFixed(3)} m`, values, ink: "orange" });
  }
  return curves.length ? { key: "hand_force", title: "Hand force", unit: "N", curves } : null;
}

function energies(motion: Motion): Plotted | null {
  const names = Object.entries(motion.lists)
    .filter(([name, info]) => info.unit === "J" && !/_(low|high)$/.test(name))
    .map(([name]) => name);
  const curves = names
    .slice(0, INKS.length)
    .map((name, i) => withBand(motion, name, plain(name), INKS[i]!))
    .filter((curve): curve is Curve => curve !== null);
  return curves.length ? { key: "energy", title: "Energy account", unit: "J", curves } : null;
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
