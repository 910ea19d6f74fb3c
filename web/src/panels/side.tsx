/** The panel beside the pictures: the moment, the answers, mends, export. */
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

export function Side({ id, bench, player, mends, run, tab, setTab, orbit }: Props) {
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
      {/* All stay on the page, so that nothing typed is lost on the way to another panel. */}
      {[
        <Moment bench={bench} player={player} />,
        <Answers bench={bench} />,
        <MendPanel id={id} bench={bench} mends={mends} run={run} />,
        <ExportPanel id={id} bench={bench} orbit={orbit} />,
      ].map((panel, i) => (
        <div role="tabpanel" hidden={i !== tab} aria-label={TABS[i]} tabIndex={0}>
          {panel}
        </div>
      ))}
    </aside>
  );
}
