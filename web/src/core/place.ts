/** The reader's place in the address: page, trial, and what of it is looked at. */
import { useEffect, useState } from "preact/hooks";

export interface Place {
  /** "", "trial", "new" or "compare". */
  page: string;
  /** Trials that the page is about. */
  ids: string[];
  /** What is looked at: time t, window from and to, station, tab, camera ... */
  at: URLSearchParams;
}

export function readPlace(): Place {
  const [path, query] = location.hash.replace(/^#\/?/, "").split("?");
  const [page, ...ids] = (path ?? "").split("/").map(decoded);
  return { page: page ?? "", ids: ids.filter(Boolean), at: new URLSearchParams(query ?? "") };
}

function decoded(text: string): string {
  try {
    return decodeURIComponent(text);
  } catch {
    return text;
  }
}

/** Page and trials of the address; what is looked at changes without drawing the page anew. */
export function usePlace(): Place {
  const [place, setPlace] = useState(readPlace);
  useEffect(() => {
    const moved = (): void => setPlace(readPlace());
    window.addEventListener("hashchange", moved);
    return () => window.removeEventListener("hashchange", moved);
  }, []);
  return place;
}

let waiting = 0;
let pending: Record<string, string | null> = {};

/** Writes what is looked at into the address, a moment after the last change; no step back is made. */
export function keepAt(values: Record<string, string | null>): void {
  clearTimeout(waiting);
  pending = { ...pending, ...values };
  waiting = window.setTimeout(() => {
    const { at } = readPlace();
    for (const [name, value] of Object.entries(pending)) {
      if (value === null) at.delete(name);
      else at.set(name, value);
    }
    pending = {};
    const path = location.hash.split("?")[0] || "#/";
    const query = at.toString();
    history.replaceState(null, "", query ? `${path}?${query}` : path);
  }, 250);
}

/** A number of the address; null where it has none of that name. */
export function numberAt(at: URLSearchParams, name: string): number | null {
  const text = at.get(name);
  const value = text === null || text.trim() === "" ? NaN : Number(text);
  return Number.isFinite(value) ? value : null;
}
