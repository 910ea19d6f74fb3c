/** The panel beside the pictures: the moment, the answers, mends, export. */
import { useEffect, useRef, useState } from "preact/hooks";
import type { Bench } from "../model/bench";
import type { Mends } from "../model/mends";
import type { Player } from "../model/player";
import type { Run } from "../model/run";
import type { Orbit } from "../views/scene/orbit";
import { Answers } from "./answers";
import { ExportPanel } from "./export_panel";
import { MendPanel } from "./mend_panel";
import { Moment } from "./moment";

interface Props {
  id: string;
  bench: Bench;
  player: Player;
  mends: Mends;
  run: Run;
  tab: number;
  setTab: (tab: number) => void;
  orbit: () => Orbit | null;
}

const TABS = ["Moment", "Answers", "Mends", "Export"];

/**
 * The panels that stand on the page: the open one, and all of them once the first view is drawn.
 * What stands stays, so that nothing typed is lost on the way to another panel.
 */
function useStanding(tab: number): (panel: number) => boolean {
  const opened = useRef(new Set<number>());
  opened.current.add(tab);
  const [all, setAll] = useState(false);
  useEffect(() => {
    const later = setTimeout(() => setAll(true), 400);
    return () => clearTimeout(later);
  }, []);
  return (panel) => all || opened.current.has(panel);
}

export function Side({ id, bench, player, mends, run, tab, setTab, orbit }: Props) {
  const stands = useStanding(tab);
  return (
    <aside class="side">
      <div class="switch" role="tablist" aria-label="panel">
        {TABS.map((name, i) => (
          <button
            role="tab"
            aria-selected={i === tab}
            onClick={() => setTab(i)}
            title={`${name} (${i + 1})`}
          >
            {name}
          </button>
        ))}
      </div>
      {[
        <Moment bench={bench} player={player} />,
        <Answers bench={bench} />,
        <MendPanel id={id} bench={bench} mends={mends} run={run} />,
        <ExportPanel id={id} bench={bench} orbit={orbit} />,
      ].map((panel, i) => (
        <div role="tabpanel" hidden={i !== tab} aria-label={TABS[i]} tabIndex={0}>
          {stands(i) ? panel : null}
        </div>
      ))}
    </aside>
  );
}
