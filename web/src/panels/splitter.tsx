/** Edges between panes that can be dragged, or moved by the arrow keys; kept for the next time. */
import { Signal, useSignal } from "../core/signal";

type Name = "record" | "side";

/** Share of the height that the record has; width of the side panel [rem]. */
const FIRST: Record<Name, number> = { record: 0.5, side: 22.5 };
const RANGE: Record<Name, [number, number]> = { record: [0.2, 0.75], side: [16, 46] };
const KEY = "lashwave.splits";

function kept(): Record<Name, number> {
  try {
    return { ...FIRST, ...(JSON.parse(localStorage.getItem(KEY) ?? "{}") as object) };
  } catch {
    return FIRST;
  }
}

const splits = new Signal<Record<Name, number>>(kept());

function put(name: Name, value: number): void {
  const [low, high] = RANGE[name];
  splits.value = { ...splits.value, [name]: Math.min(Math.max(value, low), high) };
  localStorage.setItem(KEY, JSON.stringify(splits.value));
}

/** Sizes for the style sheet. */
export function useSplits(): Record<string, string> {
  const now = useSignal(splits);
  return {
    "--above": `${1 - now.record}fr`,
    "--below": `${now.record}fr`,
    "--side": `${now.side}rem`,
  };
}

export function Splitter({ name, vertical = false }: { name: Name; vertical?: boolean }) {
  const now = useSignal(splits);
  const move = (event: PointerEvent): void => {
    const bar = event.currentTarget as HTMLElement;
    if (!bar.hasPointerCapture(event.pointerId)) return;
    if (vertical) put(name, 1 - event.clientY / innerHeight);
    else {
      const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
      put(name, (innerWidth - event.clientX) / rem);
    }
  };
  const press = (event: KeyboardEvent): void => {
    const [less, more] = vertical ? ["ArrowDown", "ArrowUp"] : ["ArrowRight", "ArrowLeft"];
    if (event.key !== less && event.key !== more) return;
    event.preventDefault();
    event.stopPropagation();
    const [low, high] = RANGE[name];
    put(name, now[name] + (event.key === more ? 1 : -1) * 0.04 * (high - low));
  };
  const [low, high] = RANGE[name];
  return (
    <div
      class={`splitter ${vertical ? "across" : "upright"}`}
      role="separator"
      aria-label={vertical ? "height of the record" : "width of the panel"}
      aria-orientation={vertical ? "horizontal" : "vertical"}
      aria-valuenow={Math.round((100 * (now[name] - low)) / (high - low))}
      tabIndex={0}
      title="drag to resize; double click: as it was"
      onPointerDown={(e) => e.currentTarget.setPointerCapture(e.pointerId)}
      onPointerMove={move}
      onDblClick={() => put(name, FIRST[name])}
      onKeyDown={press}
    />
  );
}
