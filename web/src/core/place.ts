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

/** A part of the place, as the open panel: from the address, from a link that is followed later. */
export function usePlaced(name: string, first: string): [string, (next: string) => void] {
  const read = (): string => readPlace().at.get(name) ?? first;
  const [value, set] = useState(read);
  useEffect(() => {
    const moved = (): void => set(read());
    window.addEventListener("hashchange", moved);
    return () => window.removeEventListener("hashchange", moved);
  }, []);
  return [
    value,
    (next) => {
      set(next);
      keepAt({ [name]: next === first ? null : next });
    },
  ];
}

let waiting = 0;
/** What is to be written, and the page that it is of. */
let pending: Record<string, string | null> = {};
let pendingOf = "";

const pathNow = (): string => location.hash.split("?")[0] || "#/";

/** Writes what is looked at into the address, a moment after the last change; no step back is made. */
export function keepAt(values: Record<string, string | null>): void {
  clearTimeout(waiting);
  pending = pendingOf === pathNow() ? { ...pending, ...values } : values;
  pendingOf = pathNow();
  waiting = window.setTimeout(() => {
    // Who has gone on to another page meanwhile does not take this one's place there.
    if (pathNow() !== pendingOf) return;
    const { at } = readPlace();
    for (const [name, value] of Object.entries(pending)) {
      if (value === null) at.delete(name);
      else at.set(name, value);
    }
    pending = {};
    const query = at.toString();
    history.replaceState(null, "", query ? `${pendingOf}?${query}` : pendingOf);
  }, 250);
}

/** A number of the address; null where it has none of that name. */
export function numberAt(at: URLSearchParams, name: string): number | null {
  const text = at.get(name);
  const value = text === null || text.trim() === "" ? NaN : Number(text);
  return Number.isFinite(value) ? value : null;
}
