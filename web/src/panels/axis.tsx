/** The numbers of the time axis below a column of views. */
import { useEffect, useRef } from "preact/hooks";
import { theme } from "../core/theme";
import type { Bench } from "../model/bench";
import { AxisView } from "../views/axis";

export function Axis({ bench }: { bench: Bench }) {
  const host = useRef<HTMLDivElement>(null);
  useEffect(() => {
    const view = new AxisView(bench, host.current!);
    const watch = new ResizeObserver(() => view.resize());
    watch.observe(host.current!);
    const off = theme.on(() => view.resize());
    return () => {
      watch.disconnect();
      off();
      view.destroy();
    };
  }, [bench]);
  return <div class="axis" ref={host} aria-hidden="true" />;
}
