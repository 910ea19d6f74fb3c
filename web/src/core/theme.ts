/** Light or dark: what the system prefers until the reader says otherwise. */
import { Signal } from "./signal";

export type Theme = "light" | "dark";

const KEY = "lashwave.theme";
const system = matchMedia("(prefers-color-scheme: dark)");

function chosen(): Theme | null {
  const kept = localStorage.getItem(KEY);
  return kept === "light" || kept === "dark" ? kept : null;
}

export const theme = new Signal<Theme>(chosen() ?? (system.matches ? "dark" : "light"));

/** Colours that canvases need, as the style sheet has them. */
export interface Inks {
  ink: string;
  soft: string;
  rule: string;
  paper: string;
  well: string;
  accent: string;
  chosen: string;
  blue: string;
  orange: string;
  green: string;
  purple: string;
}

export let inks: Inks = readInks();

function readInks(): Inks {
  const style = getComputedStyle(document.documentElement);
  const read = (name: string): string => style.getPropertyValue(`--${name}`).trim() || "#888";
  return {
    ink: read("ink"),
    soft: read("soft"),
    rule: read("rule"),
    paper: read("paper"),
    well: read("well"),
    accent: read("accent"),
    chosen: read("chosen"),
    blue: read("blue"),
    orange: read("orange"),
    green: read("green"),
    purple: read("purple"),
  };
}

export function startTheme(): void {
  const apply = (): void => {
    document.documentElement.dataset["theme"] = theme.value;
    inks = readInks();
  };
  system.addEventListener("change", () => {
    if (!chosen()) theme.value = system.matches ? "dark" : "light";
  });
  apply();
  // First listener of all, so that later ones find the new colours.
  theme.on(apply);
}

export function switchTheme(): void {
  const next = theme.value === "dark" ? "light" : "dark";
  localStorage.setItem(KEY, next);
  theme.value = next;
}

/** Draws something in the colours of a theme, whatever the page has at the moment. */
export function inTheme<T>(wanted: Theme, draw: () => T): T {
  const page = document.documentElement.dataset;
  const before = page["theme"];
  page["theme"] = wanted;
  inks = readInks();
  try {
    return draw();
  } finally {
    page["theme"] = before;
    inks = readInks();
  }
}

let letter = 0;
window.addEventListener("resize", () => (letter = 0));

/**
 * Size of the page's basic letter [px]; everything on a canvas scales with it. Asked once for each
 * size of the window: for the answer the browser brings the whole page's style up to date.
 */
export function rem(): number {
  letter ||= parseFloat(getComputedStyle(document.documentElement).fontSize) || 16;
  return letter;
}
