/** The table that a campaign wrote: a row a throw, sortable; a number is shown to four figures. */
import { useEffect, useState } from "preact/hooks";
import { getJson } from "../core/api";
import { figures } from "../core/format";
import { Head } from "../panels/head";

interface Table {
  name: string;
  head: string[];
  rows: string[][];
}

export function CampaignPage({ name }: { name: string }) {
  const [table, setTable] = useState<Table | null>(null);
  const [failure, setFailure] = useState<string | null>(null);
  const [by, setBy] = useState({ column: 0, down: false });
  useEffect(() => {
    getJson<Table>(`/api/campaigns/${encodeURIComponent(name)}`).then(setTable, (refused: Error) =>
      setFailure(refused.message),
    );
  }, [name]);
  const rows = table ? [...table.rows].sort((a, b) => order(a, b, by.column, by.down)) : [];
  return (
    <>
      <Head title={`Campaign ${name}`}>
        <h1>{name === "." ? "Campaign" : `Campaign ${name}`}</h1>
      </Head>
      <main class="list compare">
        {failure ? <p class="fault">{failure}</p> : null}
        {table ? (
          <table class="compared">
            <thead>
              <tr>
                {table.head.map((text, i) => (
                  <th
                    scope="col"
                    aria-sort={by.column !== i ? "none" : by.down ? "descending" : "ascending"}
                  >
                    <button
                      class="plain"
                      onClick={() => setBy({ column: i, down: by.column === i && !by.down })}
                    >
                      {text.replace(/_/g, " ")}
                    </button>
                  </th>
                ))}
              </tr>
            </thead>
            <tbody>
              {rows.map((row) => (
                <tr>
                  {row.map((cell, i) =>
                    i ? <td>{shown(cell)}</td> : <th scope="row">{cell}</th>,
                  )}
                </tr>
              ))}
            </tbody>
          </table>
        ) : failure ? null : (
          <p>Reading the table…</p>
        )}
      </main>
    </>
  );
}

function shown(cell: string): string {
  if (cell.trim() === "") return "–";
  const value = Number(cell);
  return Number.isFinite(value) ? figures(value, 4) : cell;
}

/** Numbers as numbers, texts as texts, what is missing last. */
function order(a: string[], b: string[], column: number, down: boolean): number {
  const [x, y] = [a[column] ?? "", b[column] ?? ""];
  if (x === "" || y === "") return x === y ? 0 : x === "" ? 1 : -1;
  const [p, q] = [Number(x), Number(y)];
  const rank = Number.isFinite(p) && Number.isFinite(q) ? p - q : x.localeCompare(y);
  return down ? -rank : rank;
}
