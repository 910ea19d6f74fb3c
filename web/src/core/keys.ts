/** Everything by keyboard: one table, both listened to and shown. */
import type { Bench } from "../model/bench";
import type { Orbit } from "../views/scene/orbit";
import { Signal } from "./signal";
import { switchTheme } from "./theme";

export interface Desk {
  bench: Bench;
  orbit: () => Orbit | null;
  wake: () => void;
  showKeys: () => void;
  tab: (index: number) => void;
  undo: () => void;
  redo: () => void;
  fitLine: () => void;
}

interface Key {
  keys: string[];
  shown: string;
  does: string;
  run: (desk: Desk) => void;
}

const OFF = "lashwave.keys-off";

/** Whether single keys are listened to; a reader with speech input may want them off. */
export const shortcuts = new Signal(localStorage.getItem(OFF) === null);
shortcuts.on((on) => {
  if (on) localStorage.removeItem(OFF);
  else localStorage.setItem(OFF, "1");
});

const RATES = 10 ** 0.25;

function orbiting(turn: (orbit: Orbit) => void): (desk: Desk) => void {
  return (desk) => {
    const orbit = desk.orbit();
    if (!orbit) return;
    turn(orbit);
    desk.wake();
  };
}

export function setRate(bench: Bench, rate: number): void {
  const slowest = bench.activeCamera ? 1 / bench.activeCamera.rate : 1e-5;
  bench.rate.value = Math.min(Math.max(rate, Math.min(slowest, 1e-4)), 1);
}

function markEnd(bench: Bench, end: "from" | "to"): void {
  const t = bench.time.value;
  const span = bench.span.value ?? { from: t, to: t };
  const next = { ...span, [end]: t };
  bench.span.value = { from: Math.min(next.from, next.to), to: Math.max(next.from, next.to) };
}

export const KEYS: Key[] = [
  {
    keys: [" "],
    shown: "Space",
    does: "play or pause",
    run: ({ bench }) => {
      bench.playing.value = !bench.playing.value;
    },
  },
  {
    keys: ["ArrowRight"],
    shown: "→",
    does: "next fast frame",
    run: ({ bench }) => bench.stepFrame(1),
  },
  {
    keys: ["ArrowLeft"],
    shown: "←",
    does: "previous fast frame",
    run: ({ bench }) => bench.stepFrame(-1),
  },
  {
    keys: ["Shift+ArrowRight"],
    shown: "Shift →",
    does: "next marker sample",
    run: ({ bench }) => bench.stepSample(1),
  },
  {
    keys: ["Shift+ArrowLeft"],
    shown: "Shift ←",
    does: "previous marker sample",
    run: ({ bench }) => bench.stepSample(-1),
  },
  { keys: ["]"], shown: "]", does: "next event", run: ({ bench }) => bench.stepEvent(1) },
  { keys: ["["], shown: "[", does: "previous event", run: ({ bench }) => bench.stepEvent(-1) },
  {
    keys: ["Home"],
    shown: "Home",
    does: "first moment",
    run: ({ bench }) => bench.goTo(bench.whole.from),
  },
  {
    keys: ["End"],
    shown: "End",
    does: "last moment",
    run: ({ bench }) => bench.goTo(bench.whole.to),
  },
  {
    keys: [","],
    shown: ",",
    does: "play slower",
    run: ({ bench }) => setRate(bench, bench.rate.value / RATES),
  },
  {
    keys: ["."],
    shown: ".",
    does: "play faster",
    run: ({ bench }) => setRate(bench, bench.rate.value * RATES),
  },
  { keys: ["i"], shown: "I", does: "show less time", run: ({ bench }) => bench.zoom(0.6) },
  { keys: ["o"], shown: "O", does: "show more time", run: ({ bench }) => bench.zoom(1 / 0.6) },
  {
    keys: ["p"],
    shown: "P",
    does: "show the whole record",
    run: ({ bench }) => {
      bench.window.value = bench.whole;
    },
  },
  {
    keys: ["ArrowUp"],
    shown: "↑",
    does: "select a station nearer the tip",
    run: ({ bench }) => bench.alongLine(0.01),
  },
  {
    keys: ["ArrowDown"],
    shown: "↓",
    does: "select a station nearer the butt",
    run: ({ bench }) => bench.alongLine(-0.01),
  },
  {
    keys: ["Escape"],
    shown: "Esc",
    does: "select nothing",
    run: ({ bench }) => {
      bench.select(null);
      bench.span.value = null;
      bench.picking.value = false;
    },
  },
  { keys: ["a"], shown: "A", does: "3-D: turn left", run: orbiting((o) => o.turn(-0.12, 0)) },
  { keys: ["d"], shown: "D", does: "3-D: turn right", run: orbiting((o) => o.turn(0.12, 0)) },
  { keys: ["w"], shown: "W", does: "3-D: rise", run: orbiting((o) => o.turn(0, 0.1)) },
  { keys: ["s"], shown: "S", does: "3-D: sink", run: orbiting((o) => o.turn(0, -0.1)) },
  { keys: ["+", "="], shown: "+", does: "3-D: nearer", run: orbiting((o) => o.zoom(0.85)) },
  { keys: ["-"], shown: "−", does: "3-D: farther", run: orbiting((o) => o.zoom(1 / 0.85)) },
  { keys: ["f"], shown: "F", does: "3-D: fit the line", run: (desk) => desk.fitLine() },
  { keys: ["0"], shown: "0", does: "3-D: first view again", run: orbiting((o) => o.goHome()) },
  {
    keys: ["m"],
    shown: "M",
    does: "marked span begins here",
    run: ({ bench }) => markEnd(bench, "from"),
  },
  {
    keys: ["Shift+M"],
    shown: "Shift M",
    does: "marked span ends here",
    run: ({ bench }) => markEnd(bench, "to"),
  },
  { keys: ["Control+z"], shown: "Ctrl Z", does: "undo a mend", run: (desk) => desk.undo() },
  {
    keys: ["Control+Shift+Z", "Control+y"],
    shown: "Ctrl Shift Z",
    does: "redo a mend",
    run: (desk) => desk.redo(),
  },
  ...[1, 2, 3, 4].map((n) => ({
    keys: [String(n)],
    shown: String(n),
    does: ["the moment", "answers", "mends", "export"][n - 1]!,
    run: (desk: Desk) => desk.tab(n - 1),
  })),
  { keys: ["t"], shown: "T", does: "light or dark", run: () => switchTheme() },
  { keys: ["?"], shown: "?", does: "this list", run: (desk) => desk.showKeys() },
];

function nameOf(event: KeyboardEvent): string {
  const control = event.ctrlKey || event.metaKey ? "Control+" : "";
  // A sign that needs Shift to be typed is itself; a letter or an arrow is told apart.
  const shift = event.shiftKey && (event.key.length > 1 || /[A-Z]/.test(event.key)) ? "Shift+" : "";
  return control + shift + event.key;
}

/** Listens until the returned function is called; keys typed into a field are left alone. */
export function listenToKeys(desk: Desk): () => void {
  const press = (event: KeyboardEvent): void => {
    const target = event.target as HTMLElement;
    if (target.closest("input, textarea, select, dialog")) return;
    if (event.altKey || (!shortcuts.value && event.key !== "Escape")) return;
    // What a focused control does with a key itself is left to it.
    if (target.closest("[role=separator], [role=tab]") && event.key.startsWith("Arrow")) return;
    const name = nameOf(event);
    const key = KEYS.find((k) => k.keys.includes(name));
    // A button keeps the space bar, which presses it.
    if (!key || (name === " " && target.closest("button, a, summary"))) return;
    event.preventDefault();
    key.run(desk);
  };
  window.addEventListener("keydown", press);
  return () => window.removeEventListener("keydown", press);
}
