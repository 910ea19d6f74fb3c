/** Which sightings were used, distrusted or missing, and why. */
import { useMemo } from "preact/hooks";
import { share } from "../core/format";
import { useSignal } from "../core/signal";
import type { Bench } from "../model/bench";
import type { Player } from "../model/player";
import { countSightings } from "../model/counts";
import type { Sightings } from "../model/sightings";
import { RasterView } from "../views/raster";
import { Axis } from "./axis";
import { ViewFrame } from "./mount";

export function Quality({ bench, player }: { bench: Bench; player: Player }) {
  const seen = bench.sightings;
  if (!seen) return <p class="note">No sightings can be read from this trial.</p>;
  return (
    <div class="quality">
      <div class="raster-column">
        <ViewFrame
          title="Sightings"
          name="sightings"
          kind="raster"
          trial={bench.info.name}
          player={player}
          deps={[bench]}
          make={(host) => new RasterView(bench, seen, host)}
          legend={
            <p class="legend">
              <i class="bar used" /> used <i class="bar distrusted" /> distrusted{" "}
              <i class="bar missing" /> missing
              {seen.note ? <strong> {seen.note}</strong> : null}
              <span class="soft">Shift and drag marks a span</span>
            </p>
          }
        />
        <Axis bench={bench} />
      </div>
      <Counts bench={bench} seen={seen} />
    </div>
  );
}

function Counts({ bench, seen }: { bench: Bench; seen: Sightings }) {
  const rows = useMemo(() => countSightings(seen), [seen]);
  const selection = useSignal(bench.selection);
  return (
    <div class="counts">
      <table>
        <thead>
          <tr>
            <th>Marker, point</th>
            <th>Station [m]</th>
            <th>Used</th>
            <th>Distrusted</th>
            <th>Missing</th>
            <th>Why</th>
          </tr>
        </thead>
        <tbody>
          {rows.map((row) => (
            <tr class={selection.marker === row.label ? "chosen" : ""}>
              <td>
                {row.marker ? (
                  <button class="plain" onClick={() => bench.selectMarker(row.label)}>
                    {row.label}
                  </button>
                ) : (
                  row.label
                )}
              </td>
              <td>{row.station === null ? "–" : row.station.toFixed(3)}</td>
              <td>{share(row.used)}</td>
              <td>{share(row.distrusted)}</td>
              <td>{share(row.missing)}</td>
              <td>{row.why}</td>
            </tr>
          ))}
        </tbody>
      </table>
      {seen.reasons["weight"] ? <p class="soft">Weights go {seen.reasons["weight"]}.</p> : null}
      <Checks bench={bench} />
    </div>
  );
}

/** Checks as the server words them: a line of text, or a record with one. */
function Checks({ bench }: { bench: Bench }) {
  const lines = [
    ...bench.info.warnings,
    ...(bench.info.reasons ?? []),
    ...bench.info.checks.map(worded),
  ];
  const said = [...new Set(lines.filter(Boolean))];
  if (!said.length) return <p class="note">No warnings.</p>;
  return (
    <ul class="warnings">
      {said.map((line) => (
        <li>{line}</li>
      ))}
    </ul>
  );
}

function worded(check: unknown): string {
  if (typeof check === "string") return check;
  const entry = check as { about?: string; text?: string };
  const text = entry?.text ?? "";
  return text && entry.about ? `${entry.about}: ${text}` : text;
}
