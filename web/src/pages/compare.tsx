/** Two answers or more on one clock, aligned at the peak; their differences with sd. */
import { useEffect, useMemo, useState } from "preact/hooks";
import { getJson, getPack, trialPath } from "../core/api";
import { copyPicture, download, downloadText, fileName, pngOf, sized } from "../core/exporting";
import { figures, withSd } from "../core/format";
import { useSignal } from "../core/signal";
import { inks, theme } from "../core/theme";
import { Motion } from "../model/motion";
import type { Quantity, TrialInfo } from "../model/trial";
import { plain, valueText } from "../panels/answers";
import { Head } from "../panels/head";
import { overlaid, type Overlaid, type Span } from "../views/overlaid";

interface One extends Overlaid {
  id: string;
  quantities: Record<string, Quantity>;
}

const BEFORE = /@before$/;

async function readOne(id: string): Promise<One | string> {
  try {
    const [info, pack] = await Promise.all([
      getJson<TrialInfo>(trialPath(id)),
      getPack(trialPath(id, "/motion")),
    ]);
    const peak = info.quantities["peak_tip_speed_time"]?.value;
    if (!pack || typeof peak !== "number") return `${id} has no answers with a peak to align at`;
    const name = BEFORE.test(id) ? `${info.name}, before` : info.name;
    return { id, name, peak, motion: new Motion(pack), quantities: info.quantities };
  } catch (failure) {
    return `${id}: ${(failure as Error).message}`;
  }
}

/** Two trials of one name are told apart by their folders. */
function toldApart(all: One[]): One[] {
  const count = (name: string): number => all.filter((one) => one.name === name).length;
  return all.map((one) => (count(one.name) > 1 ? { ...one, name: one.id } : one));
}

export function ComparePage({ ids }: { ids: string[] }) {
  const [found, setFound] = useState<(One | string)[] | null>(null);
  useEffect(() => {
    Promise.all(ids.map(readOne)).then(setFound, () => undefined);
  }, [ids.join("/")]);
  const all = toldApart((found ?? []).filter((one): one is One => typeof one !== "string"));
  const faults = (found ?? []).filter((one): one is string => typeof one === "string");
  return (
    <>
      <Head title="Compare">
        <h1>{all.length ? all.map((one) => one.name).join(" · ") : "Compare"}</h1>
      </Head>
      <main class="list compare">
        {found ? null : <p>Reading the answers…</p>}
        {faults.map((fault) => (
          <p class="fault">{fault}</p>
        ))}
        {all.length > 1 ? (
          <>
            <Curves all={all} />
            <Differences all={all} />
          </>
        ) : found ? (
          <p>
            Two answers are needed. Tick them in <a href="#/">the list</a>.
          </p>
        ) : null}
      </main>
    </>
  );
}

const SPANS: [string, Span][] = [
  ["30 ms about the peak", { from: -0.02, to: 0.01 }],
  ["200 ms about the peak", { from: -0.15, to: 0.05 }],
  ["the whole record", { from: -Infinity, to: Infinity }],
];

function Curves({ all }: { all: One[] }) {
  const lists = useMemo(
    () =>
      Object.keys(all[0]!.motion.lists).filter(
        (name) => !/_(low|high)$/.test(name) && all.every((one) => one.motion.list(name)),
      ),
    [all],
  );
  const [list, setList] = useState(lists.includes("tip_speed") ? "tip_speed" : lists[0]!);
  const [span, setSpan] = useState(0);
  useSignal(theme);
  if (!list) return <p>These answers share no list over time.</p>;
  const info = all[0]!.motion.lists[list]!;
  const svg = overlaid(all, list, info.unit, SPANS[span]![1], inks);
  const name = fileName(...all.map((one) => one.name), list);
  return (
    <section class="view" aria-label="overlaid curves">
      <p class="links">
        <label class="inline">
          list
          <select value={list} onChange={(e) => setList(e.currentTarget.value)}>
            {lists.map((key) => (
              <option value={key}>{plain(key)}</option>
            ))}
          </select>
        </label>
        <label class="inline">
          shown
          <select value={String(span)} onChange={(e) => setSpan(Number(e.currentTarget.value))}>
            {SPANS.map(([say], i) => (
              <option value={String(i)}>{say}</option>
            ))}
          </select>
        </label>
        <button onClick={() => downloadText(`${name}.svg`, sized(svg, "page"), "image/svg+xml")}>
          SVG
        </button>
        <button onClick={() => void pngOf(svg, 4016).then((blob) => download(`${name}.png`, blob))}>
          PNG
        </button>
        <button onClick={() => void copyPicture(pngOf(svg, 4016)).catch(() => undefined)}>
          Copy
        </button>
      </p>
      <div
        class="overlaid"
        role="img"
        aria-label={`${info.long_name || plain(list)} of ${all.map((o) => o.name).join(", ")}, each aligned at its own peak of the tip speed`}
        dangerouslySetInnerHTML={{ __html: svg }}
      />
      <p class="soft">{info.long_name}. Time 0 is each throw's own peak of the tip speed. Medians of draws, bands 95 %.</p>
    </section>
  );
}

/** Every answer that all have: each value, and its difference from the first with sd. */
function Differences({ all }: { all: One[] }) {
  const [first, ...rest] = all;
  const names = Object.keys(first!.quantities).filter((name) =>
    all.every((one) => typeof one.quantities[name]?.value === "number"),
  );
  const paired = all.some((one) => BEFORE.test(one.id));
  return (
    <>
      <h2>Answers and their differences</h2>
      <p class="soft">
        A value is the median of its draws, ± their standard deviation.{" "}
        {paired
          ? "Before and after share most sightings, so the sd of a difference, taken as if they were independent, is too large."
          : "The sd of a difference takes the throws as independent; what they share, as one line table, is in both."}
      </p>
      <table class="compared">
        <thead>
          <tr>
            <th scope="col">answer</th>
            {all.map((one) => (
              <th scope="col">{one.name}</th>
            ))}
            {rest.map((one) => (
              <th scope="col">
                {one.name} − {first!.name}
              </th>
            ))}
          </tr>
        </thead>
        <tbody>
          {names.map((name) => (
            <tr>
              <th scope="row" title={first!.quantities[name]!.definition ?? ""}>
                {plain(name)}
              </th>
              {all.map((one) => (
                <td>{valueText(one.quantities[name]!)}</td>
              ))}
              {rest.map((one) => (
                <td>{difference(one.quantities[name]!, first!.quantities[name]!)}</td>
              ))}
            </tr>
          ))}
        </tbody>
      </table>
    </>
  );
}

export function difference(one: Quantity, other: Quantity): string {
  const [factor, unit] = one.unit === "s" ? [1e3, "ms"] : [1, one.unit];
  const gap = factor * (one.value! - other.value!);
  const sd = factor * Math.hypot(one.sd ?? 0, other.sd ?? 0);
  const text = withSd(gap, sd, unit);
  if (!(sd > 0)) return text;
  const share = Math.abs(gap) / sd;
  return `${text} (${share < 0.1 ? "under 0.1" : figures(share, 2)} sd)`;
}
