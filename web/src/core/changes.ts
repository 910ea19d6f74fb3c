/** What another tab or a run has changed: one stream of the server's for the whole page. */
import { address, link, lost } from "./api";

export interface Change {
  /** Any of "trials", "mends", "run", "answers". */
  changed: string[];
  trial: string | null;
  /** True where nothing was said, but the page was not listening for a while. */
  missed: boolean;
}

type Listener = (change: Change) => void;

const listeners = new Set<Listener>();
let source: EventSource | null = null;

/** Calls back on every change until the returned function is called. */
export function listen(tell: Listener): () => void {
  listeners.add(tell);
  renew();
  return () => {
    listeners.delete(tell);
    renew();
  };
}

/**
 * A hidden tab gives its connection back, as a browser keeps six to one server for all tabs
 * together; it asks what it missed when it is looked at again.
 */
function renew(): void {
  const wanted = listeners.size > 0 && !document.hidden && link.value === "up";
  if (!wanted) {
    source?.close();
    source = null;
  } else if (!source) {
    source = new EventSource(address("/api/events"));
    source.onmessage = (message) => tellAll(parse(String(message.data)));
    source.onerror = () => lost();
  }
}

function tellAll(change: Change): void {
  [...listeners].forEach((tell) => tell(change));
}

function parse(text: string): Change {
  try {
    const read = JSON.parse(text) as Partial<Change>;
    return { changed: read.changed ?? [], trial: read.trial ?? null, missed: false };
  } catch {
    return { changed: [], trial: null, missed: true };
  }
}

function back(): void {
  renew();
  if (source) tellAll({ changed: [], trial: null, missed: true });
}

document.addEventListener("visibilitychange", back);
link.on(back);
