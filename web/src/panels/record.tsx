/** The record: the time line, and on its axis either maps and plots or the sightings. */
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { figures, readableUnit } from "../core/format";
import { RAMPS, rampColour } from "../core/colour";
import { usePlaced } from "../core/place";
import { useCalm, useSignal } from "../core/signal";
import type { Bench } from "../model/bench";
import { rounded, topOf, type FieldName } from "../model/motion";
import type { Player } from "../model/player";
import { MapView } from "../views/map";
import { PlotView } from "../views/plot";
import { choices, plotted } from "../views/plotted";
import { TimelineView } from "../views/timeline";
import { Axis } from "./axis";
import { ViewFrame } from "./mount";
import { Quality } from "./quality";

interface Props {
  id: string;
  bench: Bench;
  player: Player;
}

export function Record({ id, bench, player }: Props) {
  const [sheet, setSheet] = usePlaced("sheet", bench.line ? "motion" : "sightings");
  return (
    <div class="record">
      <div class="time-row">
        <div class="switch" role="tablist" aria-label="record">
          <Tab now={sheet} name="motion" say="Motion" set={setSheet} />
          <Tab now={sheet} name="sightings" say="Sightings" set={setSheet} />
        </div>
        <ViewFrame
          title="Time line"
          name="timeline"
          kind="timeline"
          trial={bench.info.name}
          player={player}
          deps={[bench]}
          make={(host) => new TimelineView(bench, host)}
        />
      </div>
      {sheet === "motion" ? (
        <Sheet {...{ id, bench, player }} />
      ) : (
        <Quality bench={bench} player={player} />
      )}
    </div>
  );
}

type Which = "motion" | "sightings";

function Tab({
  now,
  name,
  say,
  set,
}: {
  now: string;
  name: Which;
  say: string;
  set: (w: Which) => void;
}) {
  return (
    <button role="tab" aria-selected={now === name} onClick={() => set(name)}>
      {say}
    </button>
  );
}

const MAPS: [FieldName, string][] = [
  ["speed", "Speed"],
  ["curvature", "Curvature"],
  ["tension", "Tension"],
];
/** Of curves that are made anew while a station is dragged along the line [ms]. */
const PACE = 100;
const PLOTS = ["tip_speed", "hand_force", "energy"];

function Sheet({ bench, player }: Props) {
  if (!bench.line || !bench.motion) {
    return (
      <p class="note">
        No motion yet: this trial was not reconstructed. Run it from the Mends panel.
      </p>
    );
  }
  return (
    <div class="score">
      {MAPS.map(([name, title]) => (
        <MapFrame {...{ bench, player, name, title }} key={name} />
      ))}
      <Axis bench={bench} />
      {PLOTS.map((first, row) => (
        <PlotFrame {...{ bench, player, first, row }} key={first} />
      ))}
      <Axis bench={bench} />
    </div>
  );
}

function MapFrame({
  bench,
  player,
  name,
  title,
}: {
  bench: Bench;
  player: Player;
  name: FieldName;
  title: string;
}) {
  const motion = bench.motion!;
  const { sd, unit } = motion.fields[name];
  const [what, setWhat] = useState("value");
  const ofSd = what === "sd" && sd !== null;
  const high = ofSd ? rounded(topOf(sd, 0.995)) : motion.fields[name].high;
  const beyond = ofSd || motion.fields[name].beyond;
  const steps = [0, 0.25, 0.5, 0.75, 1].map((x) => rampColour(RAMPS[name], x)).join(", ");
  return (
    <ViewFrame
      title={ofSd ? `sd of ${title.toLowerCase()}` : title}
      name={name}
      kind="map"
      trial={bench.info.name}
      player={player}
      deps={[bench, ofSd]}
      make={(host) => new MapView(bench, motion, name, host, ofSd)}
      controls={
        sd ? (
          <label class="inline">
            <span class="hidden">what the map of {name} shows</span>
            <select value={what} onChange={(e) => setWhat(e.currentTarget.value)}>
              <option value="value">value</option>
              <option value="sd">sd</option>
            </select>
          </label>
        ) : (
          <span class="soft" title="the answers hold no standard deviation of it">
            no sd
          </span>
        )
      }
      legend={
        <p class="legend" title="colours go with the root of the value">
          0 <i class="ramp" style={{ background: `linear-gradient(to right, ${steps})` }} />{" "}
          {beyond ? "≥ " : ""}
          {figures(high, 3)} {unit}
          <i class="front" /> bend <span class="soft">{ofSd ? "" : "best motion"}</span>
        </p>
      }
    />
  );
}

function PlotFrame({
  bench,
  player,
  first,
  row,
}: {
  bench: Bench;
  player: Player;
  first: string;
  row: number;
}) {
  const [key, setKey] = useState(first);
  const motion = bench.motion!;
  const view = useRef<PlotView | null>(null);
  // Curves that follow the selected station are made again outside of the frame loop, and no more
  // often than they can be read.
  const { station } = useCalm(bench.selection, PACE);
  const drawn = useRef(station);
  useEffect(() => {
    if (drawn.current !== station) view.current?.resize();
    drawn.current = station;
  }, [station]);
  const detail = useSignal(bench.detail);
  const what = useMemo(() => plotted(bench, motion, key), [bench, motion, key, station, detail]);
  const titles = new Map(choices(motion));
  return (
    <ViewFrame
      title={what?.title ?? titles.get(key) ?? key}
      name={`plot-${row + 1}`}
      kind="plot"
      trial={bench.info.name}
      player={player}
      deps={[bench, key]}
      hold={(made: PlotView | null) => {
        view.current = made;
      }}
      make={(host) => new PlotView(bench, motion, host, () => plotted(bench, motion, key))}
      legend={
        <p class={what && what.curves.length > 4 ? "legend many" : "legend"}>
          {what ? (
            <span title={what.curves.some((c) => c.low) ? "median of draws; bands: 95 %" : ""}>
              {bracketed(what.unit)}
            </span>
          ) : (
            <span>not among the answers</span>
          )}
          {what?.curves.map((curve) => (
            <span class={`curve ${curve.ink}`}>
              <i class={curve.dash ? (curve.dash[0]! < 4 ? "dotted" : "dashed") : "solid"} />
              {curve.name}
            </span>
          ))}
        </p>
      }
      controls={
        <label class="inline">
          <span class="hidden">list to plot</span>
          <select value={key} onChange={(e) => setKey(e.currentTarget.value)}>
            {[...titles].map(([value, text]) => (
              <option value={value}>{text}</option>
            ))}
          </select>
        </label>
      }
    />
  );
}

function bracketed(unit: string): string {
  const readable = readableUnit(unit);
  return readable ? `[${readable}]` : "";
}
