/** One trial: read, then laid out; read again when its answers change. */
import { useCallback, useEffect, useRef, useState } from "preact/hooks";
import { getJson, getPack, trialPath } from "../core/api";
import { listen } from "../core/changes";
import { readPlace } from "../core/place";
import { Bench } from "../model/bench";
import { takePlace } from "../model/kept_place";
import { Motion } from "../model/motion";
import { Sightings } from "../model/sightings";
import type { TrialInfo } from "../model/trial";
import { Head } from "../panels/head";
import { prepare } from "../views/scene/programs";
import { Desk } from "./desk";

async function readBench(id: string): Promise<Bench> {
  // All three at once; a trial without answers has no motion, and that is no fault.
  const [info, motion, seen] = await Promise.all([
    getJson<TrialInfo>(trialPath(id)),
    // As many times as a first look needs; the rest comes once that is drawn.
    getPack(trialPath(id, "/motion?few=1")),
    getPack(trialPath(id, "/sightings")),
  ]);
  return new Bench(info, motion && new Motion(motion), seen && new Sightings(seen));
}

/** The reader's place is kept when the answers are read again. */
function keepPlace(old: Bench | null, next: Bench): Bench {
  if (!old) return next;
  next.selection.value = old.selection.value;
  next.camera.value = old.camera.value;
  next.rate.value = old.rate.value;
  next.span.value = old.span.value;
  next.time.value = next.clamp(old.time.value);
  const { from, to } = old.window.value;
  next.look(from, to);
  return next;
}

export function TrialPage({ id }: { id: string }) {
  const [bench, setBench] = useState<Bench | null>(null);
  const [failure, setFailure] = useState<string | null>(null);

  const known = useRef("");
  const placed = useRef(false);

  const load = useCallback(() => {
    readBench(id).then(
      (read) => {
        known.current = JSON.stringify(read.info);
        if (!placed.current) takePlace(read, readPlace().at);
        placed.current = true;
        setBench((old) => keepPlace(old, read));
        setFailure(null);
      },
      (refused: Error) => setFailure(refused.message),
    );
  }, [id]);

  useEffect(() => {
    // The 3-D view's context and shaders are made while the server reads the motion.
    prepare();
    load();
    return listen((change) => {
      if (change.trial !== null && change.trial !== id) return;
      // Mends change what was seen, and with it what the answers were made of.
      if (change.changed.some((what) => what === "answers" || what === "mends")) load();
      // All of it is read again only where what the server says of the trial is no longer the same.
      else if (change.missed) {
        getJson<TrialInfo>(trialPath(id)).then(
          (info) => {
            if (JSON.stringify(info) !== known.current) load();
          },
          () => undefined,
        );
      }
    });
  }, [load, id]);

  useEffect(() => {
    if (!bench?.motion?.more) return;
    let gone = false;
    const later = requestAnimationFrame(() =>
      setTimeout(() => {
        getPack(trialPath(id, "/motion")).then(
          (pack) => pack && !gone && bench.refine(pack),
          () => undefined, // what came first stays
        );
      }, 0),
    );
    return () => {
      gone = true;
      cancelAnimationFrame(later);
    };
  }, [bench]);

  useEffect(() => {
    if (!bench) return;
    // A link to another place of this trial, typed over it or followed back.
    const moved = (): void => takePlace(bench, readPlace().at);
    window.addEventListener("hashchange", moved);
    return () => window.removeEventListener("hashchange", moved);
  }, [bench]);

  if (bench) return <Desk key={id} id={id} bench={bench} reload={load} />;
  return (
    <>
      <Head title={id}>
        <h1>{id}</h1>
      </Head>
      <main class="list">
        {failure ? (
          <div class="empty">
            <h2>This trial cannot be shown</h2>
            <p class="fault">{failure}</p>
            <p>
              Mend the file that is named, then <button onClick={load}>read it again</button>. All
              other trials are in <a href="#/">the list</a>.
            </p>
          </div>
        ) : (
          <p>Reading the trial…</p>
        )}
      </main>
    </>
  );
}
