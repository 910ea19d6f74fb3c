/** Puts a view on the page, keeps it in size and theme, and hands it the clock. */
import type { ComponentChildren } from "preact";
import { useLayoutEffect, useRef, useState } from "preact/hooks";
import {
  SIZES,
  copyPicture,
  download,
  downloadText,
  fileName,
  pngOf,
  sized,
  type Size,
} from "../core/exporting";
import { figures } from "../core/format";
import { inTheme, theme, type Theme } from "../core/theme";
import type { Player } from "../model/player";
import type { View } from "../views/view";
import { Axis } from "./axis";

interface Props<V extends View> {
  title: string;
  name: string;
  trial: string;
  player: Player;
  make: (host: HTMLElement) => V;
  /** The view, or null once it is gone. */
  hold?: (view: V | null) => void;
  /** Made again where one of these changes. */
  deps?: unknown[];
  controls?: ComponentChildren;
  legend?: ComponentChildren;
  /** What lies over the picture, at its lower edge. */
  over?: ComponentChildren;
  kind?: string;
}

const OVER_TIME = new Set(["map", "plot", "raster"]);

export function ViewFrame<V extends View>(props: Props<V>) {
  const host = useRef<HTMLDivElement>(null);
  const view = useRef<V | null>(null);
  const menu = useRef<HTMLDetailsElement>(null);
  const { player, name, trial } = props;

  // Before the page is first painted: without its views that would be work for nothing.
  useLayoutEffect(() => {
    const made = props.make(host.current!);
    view.current = made;
    props.hold?.(made);
    const off = player.add(made);
    let size = sizeOf(host.current!);
    const watch = new ResizeObserver(() => {
      // The observer also calls when it begins, and the view has its size by then.
      const now = sizeOf(host.current!);
      if (now !== size) made.resize();
      size = now;
    });
    watch.observe(host.current!);
    const offTheme = theme.on(() => made.resize());
    const offDetail = player.bench.detail.on(() => made.resize());
    return () => {
      watch.disconnect();
      offTheme();
      offDetail();
      off();
      made.destroy();
      props.hold?.(null);
    };
  }, props.deps ?? []);

  const [size, setSize] = useState<Size>("page");
  const [look, setLook] = useState<Theme>("light");
  const [large, setLarge] = useState(false);
  const [words, setWords] = useState<string | null>(null);
  const [said, setSaid] = useState<string | null>(null);

  // Before the next picture: an Escape pressed at once is heard too.
  useLayoutEffect(() => {
    if (!large) return;
    const leave = (event: KeyboardEvent): void => {
      if (event.key === "Escape") setLarge(false);
    };
    window.addEventListener("keydown", leave);
    return () => window.removeEventListener("keydown", leave);
  }, [large]);

  const save = (kind: "svg" | "png" | "csv" | "copy"): void => {
    const shown = view.current;
    menu.current!.open = false;
    if (!shown) return;
    const file = fileName(trial, name);
    if (kind === "csv") return downloadText(`${file}.csv`, shown.csv?.() ?? "", "text/csv");
    const svg = inTheme(look, () => shown.svg());
    shown.resize(); // what the drawing has set for the file is set back
    if (kind === "svg") return downloadText(`${file}.svg`, sized(svg, size), "image/svg+xml");
    const png = pngOf(svg, SIZES[size].pixels);
    if (kind === "png") void png.then((blob) => download(`${file}.png`, blob));
    else
      copyPicture(png).then(
        () => setSaid("copied"),
        () => setSaid("this browser does not let pages copy pictures"),
      );
    if (kind === "copy") setTimeout(() => setSaid(null), 4000);
  };

  return (
    <section
      class={`view ${props.kind ?? ""} ${large ? "enlarged" : ""}`}
      aria-label={props.title}
      data-view={name}
    >
      <div class="view-head">
        <h2>{props.title}</h2>
        {props.legend}
        {props.controls}
        {said ? <span role="status">{said}</span> : null}
        <details class="save" ref={menu}>
          <summary title={`save ${props.title}`}>Save</summary>
          <div>
            <label>
              size
              <select value={size} onChange={(e) => setSize(e.currentTarget.value as Size)}>
                {Object.entries(SIZES).map(([key, { say }]) => (
                  <option value={key}>{say}</option>
                ))}
              </select>
            </label>
            <label>
              paper
              <select value={look} onChange={(e) => setLook(e.currentTarget.value as Theme)}>
                <option value="light">light</option>
                <option value="dark">dark</option>
              </select>
            </label>
            <span class="row">
              <button onClick={() => save("svg")}>SVG</button>
              <button onClick={() => save("png")}>PNG</button>
              {name === "timeline" || name.startsWith("video") ? null : (
                <button onClick={() => save("csv")}>CSV</button>
              )}
              <button onClick={() => save("copy")}>Copy</button>
            </span>
            <button
              onClick={() => {
                menu.current!.open = false;
                setWords(view.current?.describe?.() ?? props.title);
              }}
            >
              In words and numbers
            </button>
          </div>
        </details>
        <button
          class="quiet enlarge"
          aria-pressed={large}
          aria-label={large ? `${props.title}: smaller` : `${props.title}: enlarge`}
          title={large ? "smaller (Esc)" : "enlarge"}
          onClick={() => setLarge(!large)}
        >
          {large ? "⤡" : "⤢"}
        </button>
      </div>
      <div class="host" ref={host} />
      {/* The axis that a column of views shares is out of sight then. */}
      {large && OVER_TIME.has(props.kind ?? "") ? <Axis bench={player.bench} /> : null}
      {props.over}
      {words === null ? null : (
        <WordsDialog
          title={props.title}
          words={words}
          csv={view.current?.csv?.() ?? ""}
          close={() => setWords(null)}
        />
      )}
    </section>
  );
}

/** What a view shows as a sentence and as a table, for those who do not see it. */
function WordsDialog(props: { title: string; words: string; csv: string; close: () => void }) {
  const dialog = useRef<HTMLDialogElement>(null);
  useLayoutEffect(() => dialog.current?.showModal(), []);
  const rows = thinned(props.csv.trim().split("\n").map((row) => row.split(",")));
  return (
    <dialog ref={dialog} onClose={props.close} aria-label={`${props.title} in words`} class="words">
      <h2>{props.title}</h2>
      <p>{props.words}</p>
      {rows.length > 1 ? (
        <div class="scrolled" tabIndex={0} role="region" aria-label="numbers">
          <table>
            <thead>
              <tr>
                {rows[0]!.map((head) => (
                  <th scope="col">{head}</th>
                ))}
              </tr>
            </thead>
            <tbody>
              {rows.slice(1).map((row) => (
                <tr>
                  {row.map((cell) => (
                    <td>{cell === "" ? "–" : figures(Number(cell), 6)}</td>
                  ))}
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      ) : null}
      <p class="soft">At most 24 rows and 13 columns, evenly taken; Save, CSV has all of them.</p>
      <form method="dialog">
        <button>Close</button>
      </form>
    </dialog>
  );
}

/** At most so many rows and columns of a table, heads and first column among them. */
function thinned(table: string[][]): string[][] {
  const some = (count: number, most: number): number[] =>
    count <= most
      ? Array.from({ length: count }, (_, i) => i)
      : Array.from({ length: most }, (_, i) => Math.round((i * (count - 1)) / (most - 1)));
  const rows = some(table.length - 1, 24).map((i) => i + 1);
  const columns = [0, ...some((table[0]?.length ?? 1) - 1, 12).map((i) => i + 1)];
  return [0, ...rows].map((r) => columns.map((c) => table[r]?.[c] ?? ""));
}

function sizeOf(host: HTMLElement): string {
  return `${host.clientWidth} x ${host.clientHeight}`;
}
