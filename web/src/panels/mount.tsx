/** Puts a view on the page, keeps it in size and theme, and hands it the clock. */
import type { ComponentChildren } from "preact";
import { useEffect, useRef } from "preact/hooks";
import { downloadText, download, fileName, pngOf } from "../core/exporting";
import { theme } from "../core/theme";
import type { Player } from "../model/player";
import type { View } from "../views/view";

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
  kind?: string;
}

export function ViewFrame<V extends View>(props: Props<V>) {
  const host = useRef<HTMLDivElement>(null);
  const view = useRef<V | null>(null);
  const menu = useRef<HTMLDetailsElement>(null);
  const { player, name, trial } = props;

  useEffect(() => {
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
    return () => {
      watch.disconnect();
      offTheme();
      off();
      made.destroy();
      props.hold?.(null);
    };
  }, props.deps ?? []);

  const save = (kind: "svg" | "png" | "csv"): void => {
    const shown = view.current;
    menu.current!.open = false;
    if (!shown) return;
    const file = fileName(trial, name);
    if (kind === "csv") downloadText(`${file}.csv`, shown.csv?.() ?? "", "text/csv");
    else if (kind === "svg") downloadText(`${file}.svg`, shown.svg(), "image/svg+xml");
    else void pngOf(shown.svg()).then((blob) => download(`${file}.png`, blob));
  };

  return (
    <section class={`view ${props.kind ?? ""}`} aria-label={props.title} data-view={name}>
      <div class="view-head">
        <h2>{props.title}</h2>
        {props.legend}
        {props.controls}
        <details class="save" ref={menu}>
          <summary title={`save ${props.title}`}>Save</summary>
          <div>
            <button onClick={() => save("svg")}>SVG</button>
            <button onClick={() => save("png")}>PNG</button>
            {name === "timeline" || name.startsWith("video") ? null : (
              <button onClick={() => save("csv")}>CSV</button>
            )}
          </div>
        </details>
      </div>
      <div class="host" ref={host} />
    </section>
  );
}

function sizeOf(host: HTMLElement): string {
  return `${host.clientWidth} x ${host.clientHeight}`;
}
