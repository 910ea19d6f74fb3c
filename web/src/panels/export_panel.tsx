/** Report, answers and film, made by the server; pictures and numbers are saved at each view. */
import { useEffect, useMemo, useState } from "preact/hooks";
import { address, getBlob, trialPath, type Refusal } from "../core/api";
import { download, fileName } from "../core/exporting";
import { figures, moment } from "../core/format";
import { useSignal } from "../core/signal";
import type { Bench } from "../model/bench";
import { Run } from "../model/run";
import type { Orbit } from "../views/scene/orbit";
import { Progress } from "./progress";

/** The report as PDF, which the server sets when it is asked for it. */
function Paper({ id, name }: { id: string; name: string }) {
  const [said, setSaid] = useState<string | null>(null);
  const fetchPaper = async (): Promise<void> => {
    setSaid("The report is being set…");
    try {
      download(fileName(name, "report.pdf"), await getBlob(trialPath(id, "/report.pdf")));
      setSaid(null);
    } catch (refused) {
      setSaid((refused as Refusal).message);
    }
  };
  return (
    <>
      <button onClick={() => void fetchPaper()}>PDF</button>
      {said ? <span role="status">{said}</span> : null}
    </>
  );
}

interface Props {
  id: string;
  bench: Bench;
  orbit: () => Orbit | null;
}

/** Longest film that the server makes [s]. */
const LONGEST = 100;

export function ExportPanel({ id, bench, orbit }: Props) {
  const file = (rest: string, query = {}): string => address(trialPath(id, rest), query);
  if (!bench.line)
    return <p class="soft">Nothing to export yet: the trial was not reconstructed.</p>;
  return (
    <>
      <h3>Report</h3>
      <p class="links">
        <a href={file("/report.html")} target="_blank" rel="noreferrer">
          Open as a page
        </a>
        <Paper id={id} name={bench.info.name} />
        <a href={file("/answers.zip")} download>
          All answer files
        </a>
      </p>
      <h3>Numbers</h3>
      <Lists bench={bench} file={file} />
      <h3>Film</h3>
      <Film id={id} bench={bench} orbit={orbit} />
      <p class="soft">
        Each view saves or copies itself from its own Save, for print or a slide, and its numbers
        as CSV with their standard deviations.
      </p>
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
          {names.map((n) => (
            <option value={n}>{n.replace(/_/g, " ")}</option>
          ))}
        </select>
      </label>
      <a href={file("/list.csv", { list: name })} download>
        CSV
      </a>
    </p>
  );
}

function Film({ id, bench, orbit }: Props) {
  const [ready, setReady] = useState<string | null>(null);
  const [view, setView] = useState("now");
  const [camera, setCamera] = useState("");
  const [long, setLong] = useState("8");
  const run = useMemo(
    () => new Run((state) => setReady(state.result ?? `/api/runs/${state.id}/result`)),
    [id],
  );
  useEffect(() => () => run.close(), [run]);
  const state = useSignal(run.state);
  const said = useSignal(run.said);
  const { from, to } = useSignal(bench.window);
  const duration = Math.min(Math.max(Number(long) || 8, 0.5), LONGEST);
  const pictured = bench.info.cameras.filter((one) => one.frames > 0);
  const begin = (): void => {
    setReady(null);
    const eye = orbit();
    const seen = view === "now" ? (eye ? anglesOf(eye) : "oblique") : view;
    void run.start(id, "/film", { view: seen, from, to, duration, camera: camera || null });
  };
  return (
    <>
      <p>
        <label class="inline">
          seen
          <select value={view} onChange={(e) => setView(e.currentTarget.value)}>
            <option value="now">as the 3-D view stands</option>
            <option value="front">along y</option>
            <option value="side">along x</option>
            <option value="top">from above</option>
          </select>
        </label>{" "}
        <label class="inline">
          lasts [s]
          <input
            name="duration"
            inputMode="decimal"
            size={4}
            value={long}
            onInput={(e) => setLong(e.currentTarget.value)}
          />
        </label>{" "}
        {pictured.length ? (
          <label class="inline">
            beside it
            <select value={camera} onChange={(e) => setCamera(e.currentTarget.value)}>
              <option value="">nothing</option>
              {pictured.map((one) => (
                <option value={one.name}>camera {one.name}</option>
              ))}
            </select>
          </label>
        ) : null}{" "}
        {moment(from)} to {moment(to)}, as shown: {figures(duration / (to - from), 2)} times slower{" "}
        <button onClick={begin} disabled={run.going}>
          Make MP4
        </button>
      </p>
      <Progress state={state} cancel={() => void run.cancel()} />
      {said ? <p class="fault">{said}</p> : null}
      {ready ? (
        <p class="links">
          <a href={address(ready)} download>
            Save the film
          </a>
        </p>
      ) : null}
    </>
  );
}

/** The server counts from an eye that looks along y, in degrees. */
function anglesOf(eye: Orbit): { azimuth: number; elevation: number } {
  const degrees = 180 / Math.PI;
  return { azimuth: (eye.azimuth * degrees + 90) % 360, elevation: eye.elevation * degrees };
}
