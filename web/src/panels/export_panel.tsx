/** Report, answers and film, made by the server; pictures and numbers are saved at each view. */
import { useEffect, useMemo, useState } from "preact/hooks";
import { address, trialPath } from "../core/api";
import { figures } from "../core/format";
import { useSignal } from "../core/signal";
import type { Bench } from "../model/bench";
import { Run } from "../model/run";
import { Progress } from "./progress";

export function ExportPanel({ id, bench }: { id: string; bench: Bench }) {
  const file = (rest: string, query = {}): string => address(trialPath(id, rest), query);
  if (!bench.line) return <p class="soft">Nothing to export yet: the trial was not reconstructed.</p>;
  return (
    <>
      <h3>Report</h3>
      <p class="links">
        <a href={file("/report.html")} target="_blank" rel="noreferrer">Open as a page</a>
        <a href={file("/report.pdf")} download>PDF</a>
        <a href={file("/answers.zip")} download>All answer files</a>
      </p>
      <h3>Numbers</h3>
      <Lists bench={bench} file={file} />
      <h3>Film</h3>
      <Film id={id} bench={bench} />
      <p class="soft">Each view saves itself as SVG or PNG, and as CSV where it shows numbers, from its own Save.</p>
    </>
  );
}

function Lists({ bench, file }: { bench: Bench; file: (rest: string, query: object) => string }) {
  const names = Object.keys(bench.motion!.lists).filter((name) => !/_(low|high)$/.test(name));
  const [name, setName] = useState(names[0] ?? "tip_speed");
  return (
    <p class="links">
      <label class="inline">
        list
        <select value={name} onChange={(e) => setName(e.currentTarget.value)}>
          {names.map((n) => <option value={n}>{n.replace(/_/g, " ")}</option>)}
        </select>
      </label>
      <a href={file("/list.csv", { list: name })} download>CSV</a>
    </p>
  );
}

function Film({ id, bench }: { id: string; bench: Bench }) {
  const [ready, setReady] = useState<string | null>(null);
  const [view, setView] = useState("line");
  const run = useMemo(() => new Run((state) => setReady(state.result ?? `/api/runs/${state.id}/result`)), [id]);
  useEffect(() => () => run.close(), [run]);
  const state = useSignal(run.state);
  const said = useSignal(run.said);
  const { from, to } = useSignal(bench.window);
  const rate = useSignal(bench.rate);
  const begin = (): void => {
    setReady(null);
    void run.start(id, "/film", { view, from, to, rate });
  };
  return (
    <>
      <p>
        <label class="inline">
          of
          <select value={view} onChange={(e) => setView(e.currentTarget.value)}>
            <option value="line">the line</option>
            {bench.info.cameras.length ? <option value="video">the fast video</option> : null}
          </select>
        </label>{" "}
        {figures(1e3 * (to - from), 3)} ms as shown, {figures((to - from) / rate, 2)} s long{" "}
        <button onClick={begin} disabled={run.going}>Make MP4</button>
      </p>
      <Progress state={state} cancel={() => void run.cancel()} />
      {said ? <p class="fault">{said}</p> : null}
      {ready ? <p class="links"><a href={address(ready)} download>Save the film</a></p> : null}
    </>
  );
}
