/** The trials of the folder, each with picture and verdict; sortable. */
import { useEffect, useState } from "preact/hooks";
import { address, getJson, trialPath } from "../core/api";
import { listen } from "../core/changes";
import { figures, share, withSd } from "../core/format";
import type { TrialRow } from "../model/trial";
import { Head } from "../panels/head";
import { Verdict } from "../panels/verdict";

interface Listing {
  folder: string;
  /** Folders within that hold trials, where this one has none of its own. */
  below?: string[];
  trials: TrialRow[];
}

interface Column {
  name: string;
  /** What to sort by; text and numbers each among themselves, what is missing last. */
  key: (row: TrialRow) => number | string | null;
  cell: (row: TrialRow) => preact.ComponentChildren;
  right?: boolean;
}

const ORDER = { usable: 0, care: 1, unusable: 2 };

const first = (value: TrialRow["peak_tip_mach"]): number | null =>
  Array.isArray(value) ? value[0] : value;

const COLUMNS: Column[] = [
  { name: "Trial", key: (r) => r.name, cell: (r) => <TrialLink row={r} /> },
  {
    name: "Verdict",
    key: (r) => ORDER[r.verdict] ?? 3,
    cell: (r) => <Verdict verdict={r.verdict} reasons={r.broken ? [r.broken] : r.reasons} />,
  },
  {
    name: "Peak tip speed [m/s]",
    key: (r) => r.peak_tip_speed?.[0] ?? null,
    cell: (r) =>
      r.peak_tip_speed ? (
        withSd(...r.peak_tip_speed)
      ) : r.answered ? (
        "–"
      ) : (
        <em>not reconstructed</em>
      ),
    right: true,
  },
  {
    name: "Mach",
    key: (r) => first(r.peak_tip_mach),
    cell: (r) => {
      const m = first(r.peak_tip_mach);
      const sd = Array.isArray(r.peak_tip_mach) ? r.peak_tip_mach[1] : null;
      return m === null ? "–" : withSd(m, sd);
    },
    right: true,
  },
  { name: "Gaps", key: (r) => r.gaps, cell: (r) => share(r.gaps), right: true },
  {
    name: "Residual RMS",
    key: (r) => r.residual_rms,
    cell: (r) =>
      r.residual_rms === null || r.residual_rms === undefined ? "–" : figures(r.residual_rms, 3),
    right: true,
  },
  {
    name: "Clock sd [µs]",
    key: (r) => r.clock_sd,
    cell: (r) =>
      r.clock_sd === null || r.clock_sd === undefined ? "–" : figures(1e6 * r.clock_sd, 2),
    right: true,
  },
  {
    name: "Warnings",
    key: (r) => r.warnings,
    cell: (r) => (r.broken ? "–" : r.warnings || "none"),
    right: true,
  },
  {
    name: "Mends",
    key: (r) => r.mends,
    cell: (r) => (r.broken ? "–" : r.mends || "none"),
    right: true,
  },
  { name: "Line (specimen)", key: (r) => r.specimen, cell: (r) => r.specimen ?? "–" },
  { name: "Date", key: (r) => r.date, cell: (r) => r.date ?? "–" },
];

function TrialLink({ row }: { row: TrialRow }) {
  const state = row.running
    ? "running now: what is shown is of the answer before"
    : row.stale
      ? "inputs changed since it was run"
      : row.alone
        ? "answers without their trial"
        : null;
  return (
    <>
      <a href={`#/trial/${encodeURIComponent(row.id)}`}>{row.name || row.id}</a>
      {row.name && row.name !== row.id ? <small>{row.id}</small> : null}
      {state ? <small class="flagged">{state}</small> : null}
    </>
  );
}

function sorted(rows: TrialRow[], column: Column, down: boolean): TrialRow[] {
  const compare = (a: TrialRow, b: TrialRow): number => {
    const [x, y] = [column.key(a), column.key(b)];
    if (x === null || x === undefined) return y === null || y === undefined ? 0 : 1;
    if (y === null || y === undefined) return -1;
    const order =
      typeof x === "number" && typeof y === "number"
        ? x - y
        : String(x).localeCompare(String(y), undefined, { numeric: true });
    return down ? -order : order;
  };
  return [...rows].sort(compare);
}

export function ListPage() {
  const [listing, setListing] = useState<Listing | null>(null);
  const [failure, setFailure] = useState<string | null>(null);
  const [by, setBy] = useState({ column: 0, down: false });
  const [chosen, setChosen] = useState<string[]>([]);
  const [campaigns, setCampaigns] = useState<string[]>([]);

  useEffect(() => {
    const load = (): void => {
      getJson<Listing>("/api/trials").then(
        (read) => {
          setListing(read);
          setFailure(null);
        },
        (refused: Error) => setFailure(refused.message),
      );
    };
    load();
    getJson<{ campaigns: string[] }>("/api/campaigns").then(
      (read) => setCampaigns(read.campaigns),
      () => undefined,
    );
    return listen(load);
  }, []);

  return (
    <>
      <Head title="Trials">
        <h1>{listing ? listing.folder : "Trials"}</h1>
        <a class="button" href="#/new">
          New trial
        </a>
        {campaigns.map((name) => (
          <a class="button" href={`#/campaign/${encodeURIComponent(name)}`}>
            {name === "." ? "Campaign's table" : `Campaign ${name}`}
          </a>
        ))}
      </Head>
      <main class="list">
        {failure && !listing ? <p class="fault">The trials could not be read: {failure}.</p> : null}
        {!listing && !failure ? <p>Reading the folder…</p> : null}
        {listing && !listing.trials.length ? (
          <Empty folder={listing.folder} below={listing.below ?? []} />
        ) : null}
        {listing?.trials.length ? (
          <p class="links">
            <button
              class="main"
              disabled={chosen.length < 2}
              onClick={() => {
                location.hash = `#/compare/${chosen.map(encodeURIComponent).join("/")}`;
              }}
            >
              Compare
            </button>
            <span class="soft">
              {chosen.length < 2 ? "tick two answered trials or more" : `${chosen.length} trials`}
            </span>
            <span class="soft">Peak speed and Mach number: median of draws ± sd</span>
          </p>
        ) : null}
        {listing?.trials.length ? (
          <Table
            rows={sorted(listing.trials, COLUMNS[by.column]!, by.down)}
            by={by}
            setBy={setBy}
            chosen={chosen}
            choose={(id, on) => setChosen((old) => (on ? [...old, id] : old.filter((o) => o !== id)))}
          />
        ) : null}
      </main>
    </>
  );
}

function Empty({ folder, below }: { folder: string; below: string[] }) {
  return (
    <div class="empty">
      <h2>No trial in {folder} yet</h2>
      {below.length ? (
        <p>
          There are trials one folder further down. Stop this server and open{" "}
          {below.map((name) => (
            <code>
              lashwave open {folder}/{name}
            </code>
          ))}
          .
        </p>
      ) : null}
      <p>
        A trial is a folder with a <code>trial.toml</code> that points at what the instruments
        wrote. <a href="#/new">Make one from instrument files</a>, or let{" "}
        <code>lashwave simulate</code> invent one and put its <code>trial</code> folder here. This
        list renews itself.
      </p>
    </div>
  );
}

interface Sorting {
  column: number;
  down: boolean;
}

function Table({
  rows,
  by,
  setBy,
  chosen,
  choose,
}: {
  rows: TrialRow[];
  by: Sorting;
  setBy: (by: Sorting) => void;
  chosen: string[];
  choose: (id: string, on: boolean) => void;
}) {
  const press = (column: number): void =>
    setBy({ column, down: by.column === column ? !by.down : false });
  return (
    <table class="trials">
      <thead>
        <tr>
          <th scope="col">
            <span class="hidden">Shapes of the line</span>
          </th>
          {COLUMNS.map((column, i) => (
            <th
              scope="col"
              class={column.right ? "right" : ""}
              aria-sort={by.column !== i ? "none" : by.down ? "descending" : "ascending"}
            >
              <button class="plain" onClick={() => press(i)}>
                {column.name}
                <span aria-hidden="true">{by.column !== i ? "" : by.down ? " ↓" : " ↑"}</span>
              </button>
            </th>
          ))}
        </tr>
      </thead>
      <tbody>
        {rows.map((row) => (
          <tr key={row.id} class={row.broken ? "broken" : ""}>
            <td class="thumb">
              <a href={`#/trial/${encodeURIComponent(row.id)}`} tabIndex={-1} aria-hidden="true">
                <Thumbnail row={row} />
              </a>
              <input
                type="checkbox"
                aria-label={`compare ${row.name || row.id}`}
                disabled={!row.answered}
                checked={chosen.includes(row.id)}
                onChange={(e) => choose(row.id, e.currentTarget.checked)}
              />
            </td>
            {COLUMNS.map((column) => (
              <td class={column.right ? "right" : ""}>{column.cell(row)}</td>
            ))}
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function Thumbnail({ row }: { row: TrialRow }) {
  if (row.broken) return <span class="no-thumb">cannot be read</span>;
  return <img src={address(trialPath(row.id, "/thumbnail.svg"))} alt="" loading="lazy" />;
}
