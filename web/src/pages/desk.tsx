/** The lay-out of a trial: the moment above, the record below, one clock between them. */
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { getJson, trialPath } from "../core/api";
import { listen } from "../core/changes";
import { listenToKeys } from "../core/keys";
import { withSd } from "../core/format";
import { usePlaced } from "../core/place";
import { useSignal } from "../core/signal";
import type { Bench } from "../model/bench";
import { Frames } from "../model/frames";
import { followPlace } from "../model/kept_place";
import { Mends } from "../model/mends";
import { Player } from "../model/player";
import { Run } from "../model/run";
import type { TrialInfo } from "../model/trial";
import { Head } from "../panels/head";
import { KeysDialog } from "../panels/keys_dialog";
import { Record } from "../panels/record";
import { Side } from "../panels/side";
import { Splitter, useSplits } from "../panels/splitter";
import { SceneFrame, VideoFrame } from "../panels/stage";
import { Transport } from "../panels/transport";
import { Verdict } from "../panels/verdict";
import type { SceneView } from "../views/scene/view";

interface Props {
  id: string;
  bench: Bench;
  reload: () => void;
}

/** What benchmarks and tests of the pages read, and a curious reader in the console. */
const shown: Record<string, unknown> = {};
(window as unknown as { lashwave: unknown }).lashwave = shown;

function usePlayer(bench: Bench): Player {
  const player = useMemo(() => new Player(bench), [bench]);
  useEffect(() => {
    Object.assign(shown, { bench, player });
    return () => player.stop();
  }, [player]);
  return player;
}

function useFrames(id: string, bench: Bench, player: Player): Frames[] {
  const frames = useMemo(
    () => bench.info.cameras.map((camera) => new Frames(id, camera, () => player.wake())),
    [bench, player],
  );
  useEffect(() => {
    shown["frames"] = frames;
    return () => frames.forEach((some) => some.close());
  }, [frames]);
  return frames;
}

export function Desk({ id, bench, reload }: Props) {
  const player = usePlayer(bench);
  const frames = useFrames(id, bench, player);
  const mends = useMemo(() => new Mends(id), [id]);
  const run = useMemo(() => new Run(reload), [id]);
  const scene = useRef<SceneView | null>(null);
  const [tab, setTab] = usePlaced("tab", "0");
  const [keys, showKeys] = useState(false);
  useEffect(() => followPlace(bench), [bench]);

  useEffect(() => {
    if (bench.info.alone) return;
    void mends.load();
    const off = listen((change) => {
      if (change.trial !== null && change.trial !== id) return;
      if (change.missed || change.changed.includes("mends")) void mends.load();
      if (change.missed || change.changed.includes("run")) void joinRun(id, run);
    });
    return () => {
      off();
      run.close();
    };
  }, [mends, run]);

  useEffect(
    () =>
      listenToKeys({
        bench,
        orbit: () => scene.current?.orbit ?? null,
        wake: () => player.wake(),
        showKeys: () => showKeys(true),
        tab: (next) => setTab(String(next)),
        undo: () => void mends.undo(),
        redo: () => void mends.redo(),
        fitLine: () => scene.current?.fitLine(),
      }),
    [bench, player, mends],
  );

  const camera = useSignal(bench.camera);
  const cameras = bench.info.cameras.length > 0;
  return (
    <div class="desk" style={useSplits()}>
      <Head title={bench.info.name}>
        <h1>{bench.info.name}</h1>
        <Summary id={id} bench={bench} run={run} />
        <button class="quiet" onClick={() => showKeys(true)} title="list of keys (?)">
          Keys
        </button>
      </Head>
      <div class={cameras ? "stage" : "stage no-camera"}>
        <SceneFrame
          id={id}
          bench={bench}
          player={player}
          frames={frames}
          hold={(view) => {
            scene.current = view;
            shown["scene"] = view;
          }}
        />
        {cameras ? (
          <VideoFrame
            key={camera}
            id={id}
            bench={bench}
            player={player}
            frames={frames}
            index={camera}
            hold={(view) => {
              shown["video"] = view;
            }}
          />
        ) : null}
        <Splitter name="side" />
        <Side
          {...{ id, bench, player, mends, run }}
          tab={Math.min(Math.max(Number(tab) | 0, 0), 3)}
          setTab={(next) => setTab(String(next))}
          orbit={() => scene.current?.orbit ?? null}
        />
      </div>
      <Splitter name="record" vertical />
      <Transport bench={bench} player={player} />
      <Record id={id} bench={bench} player={player} />
      {keys ? <KeysDialog close={() => showKeys(false)} /> : null}
    </div>
  );
}

/** Follows a run of this trial that another tab has started. */
async function joinRun(id: string, run: Run): Promise<void> {
  if (run.going) return;
  const info = await getJson<TrialInfo>(trialPath(id)).catch(() => null);
  const going = info?.run;
  const unfinished = going?.state === "queued" || going?.state === "running";
  if (going && unfinished && !run.going) await run.follow(going.id);
}

/** Verdict and the answer that people ask first. */
function Summary({ id, bench, run }: { id: string; bench: Bench; run: Run }) {
  const { info } = bench;
  useSignal(run.state);
  const speed = info.quantities["peak_tip_speed"];
  const mach = info.quantities["peak_tip_mach"];
  return (
    <div class="summary">
      {info.verdict ? <Verdict verdict={info.verdict} reasons={[]} /> : null}
      {speed?.value ? (
        <span>
          peak tip speed <b>{withSd(speed.value, speed.sd, "m/s")}</b>{" "}
          <span class="soft">median of draws</span>
        </span>
      ) : null}
      {mach?.value ? (
        <span>
          Mach <b>{withSd(mach.value, mach.sd)}</b>
        </span>
      ) : null}
      {!bench.line ? <span class="flagged">not reconstructed yet: see Mends</span> : null}
      {info.offered?.length ? (
        <span class="soft">
          {info.offered.join(", ")} holds answers of a trial of the same name but of other inputs:
          they are not shown here, <a href={`#/trial/${encodeURIComponent(info.offered[0]!)}`}>
            but there
          </a>
        </span>
      ) : null}
      {run.going && bench.line ? (
        <span class="flagged">running: all that is shown is of the answer before</span>
      ) : null}
      {info.before && !run.going ? (
        <a href={`#/compare/${encodeURIComponent(`${id}@before`)}/${encodeURIComponent(id)}`}>
          before and after
        </a>
      ) : null}
      {info.stale ? <span class="flagged">inputs changed since this answer</span> : null}
      {info.warnings.length ? (
        <span class="flagged">
          {info.warnings.length} warning{info.warnings.length > 1 ? "s" : ""}
        </span>
      ) : null}
    </div>
  );
}
