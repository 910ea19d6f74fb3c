/** What is selected, in numbers, at the moment of the clock; and the events to go to. */
import { useEffect, useState } from "preact/hooks";
import { figures, moment, signed, withSd } from "../core/format";
import { useSignal } from "../core/signal";
import type { Bench } from "../model/bench";
import type { Player } from "../model/player";

/** Numbers are renewed this often while the clock runs [ms]; more cannot be read. */
const PACE = 100;

function useMoment(bench: Bench, player: Player): number {
  const [t, setT] = useState(bench.time.value);
  useEffect(() => {
    let last = 0;
    let timer = 0;
    const off = player.add({
      show(now) {
        const wall = performance.now();
        clearTimeout(timer);
        if (wall - last >= PACE) {
          last = wall;
          queueMicrotask(() => setT(now));
        } else timer = window.setTimeout(() => setT(bench.time.value), PACE);
      },
    });
    return () => {
      clearTimeout(timer);
      off();
    };
  }, [bench, player]);
  return t;
}

export function Moment({ bench, player }: { bench: Bench; player: Player }) {
  const t = useMoment(bench, player);
  const selection = useSignal(bench.selection);
  const span = useSignal(bench.span);
  return (
    <>
      <h3>
        {selection.station === null ? "The tip" : `Station ${selection.station.toFixed(3)} m`}
        {selection.marker ? `, marker ${selection.marker}` : ""}
      </h3>
      <Numbers bench={bench} t={t} station={selection.station ?? bench.info.line.length} />
      {selection.station === null ? (
        <p class="soft">
          Click the line, a map or a marker, or press ↑ ↓, to select a station everywhere.
        </p>
      ) : (
        <button onClick={() => bench.select(null)}>Select nothing</button>
      )}
      {span ? (
        <p>
          Marked: {moment(span.from)} to {moment(span.to)}{" "}
          <button
            onClick={() => {
              bench.span.value = null;
            }}
          >
            Clear
          </button>
        </p>
      ) : null}
      <h3>Events</h3>
      <Events bench={bench} t={t} />
    </>
  );
}

function Numbers({ bench, t, station }: { bench: Bench; t: number; station: number }) {
  const { line, motion } = bench;
  if (!line || !motion) return <p class="soft">No motion yet.</p>;
  line.set(t);
  const s = motion.row(station);
  const at = line.k * motion.stations + s;
  const place = Array.from(line.position.subarray(3 * s, 3 * s + 3), (v) => signed(v, 3));
  const { speed, curvature, tension } = motion.fields;
  const rows: [string, string][] = [
    ["time", moment(t)],
    ["place", `${place.join(", ")} m, each ± ${figures(1e3 * line.sd[s]!, 2)} mm`],
    ["speed", withSd(line.speed[s]!, speed.sd?.[at], "m/s")],
    ["curvature", withSd(curvature.values[at]!, curvature.sd?.[at], "1/m")],
    [
      "tension",
      Number.isFinite(tension.values[at]!)
        ? withSd(tension.values[at]!, tension.sd?.[at], "N")
        : "on the rigid grip",
    ],
  ];
  const front = motion.list("bend_station");
  if (front)
    rows.push([
      "bend at",
      Number.isFinite(front[line.k]!)
        ? withSd(front[line.k]!, motion.listSd("bend_station", line.k), "m")
        : noBend(bench, t),
    ]);
  return (
    <table class="numbers">
      <caption class="soft">The best motion at this moment, ± sd</caption>
      <tbody>
        {rows.map(([name, text]) => (
          <tr>
            <th scope="row">{name}</th>
            <td>{text}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

/** Why no bend is drawn at a moment, by the definition that the register gives. */
function noBend(bench: Bench, t: number): string {
  const late = bench.peak !== null && t > bench.peak - 5e-4;
  return late ? "none: it has run out at the tip" : "none: the line turns by less than 45° anywhere";
}

function Events({ bench, t }: { bench: Bench; t: number }) {
  const events = [...bench.info.events].sort((a, b) => a.time - b.time);
  if (!events.length) return <p class="soft">None.</p>;
  return (
    <ol class="events">
      {events.map((event) => (
        <li class={Math.abs(event.time - t) < 2e-6 ? "now" : ""}>
          <button
            class="plain"
            title={event.text}
            onClick={() => {
              bench.frame(event.time);
              if (event.station !== null) bench.select(event.station);
            }}
          >
            <b>{event.name}</b>
            <span>
              {moment(event.time, event.sd)}
            </span>
          </button>
        </li>
      ))}
    </ol>
  );
}
