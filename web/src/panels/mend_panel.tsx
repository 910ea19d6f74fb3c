/** Mends: the list with undo and redo, the form for another, and running again. */
import { useEffect, useState } from "preact/hooks";
import { useSignal } from "../core/signal";
import type { Bench } from "../model/bench";
import { describe, type Mend, type Mends } from "../model/mends";
import type { Run } from "../model/run";
import { MendForm } from "./mend_form";
import { Progress } from "./progress";

interface Props {
  id: string;
  bench: Bench;
  mends: Mends;
  run: Run;
}

export function MendPanel({ id, bench, mends, run }: Props) {
  const list = useSignal(mends.list);
  const said = useSignal(mends.said);
  const busy = useSignal(mends.busy);
  return (
    <>
      <RunAgain id={id} bench={bench} run={run} />
      <h3>Mends</h3>
      {said ? (
        <p class="fault" role="alert">
          {said}{" "}
          <button
            onClick={() => {
              mends.said.value = null;
            }}
          >
            Understood
          </button>
        </p>
      ) : null}
      {list?.fault ? (
        <p class="fault" role="alert">
          {list.fault}
        </p>
      ) : null}
      {list?.mends.length ? (
        <ol class="mends">
          {list.mends.map((mend, i) => (
            <li>
              <span>
                {describe(mend, bench.info.line.units)}
                <Reason mend={mend} busy={busy} keep={(next) => void mends.replace(i, next)} />
              </span>
              <button
                class="quiet"
                disabled={busy}
                onClick={() => void mends.remove(i)}
                aria-label={`take back: ${describe(mend)}`}
              >
                ×
              </button>
            </li>
          ))}
        </ol>
      ) : (
        <p class="soft">None. Inputs are never altered; mends stand in a file beside the folder.</p>
      )}
      <p>
        <button disabled={busy || !list?.undo} onClick={() => void mends.undo()} title="Ctrl Z">
          Undo
        </button>{" "}
        <button
          disabled={busy || !list?.redo}
          onClick={() => void mends.redo()}
          title="Ctrl Shift Z"
        >
          Redo
        </button>
      </p>
      <MendForm id={id} bench={bench} mends={mends} />
    </>
  );
}

/** Why a mend was made: shown, and written anew on a click. */
function Reason({ mend, busy, keep }: { mend: Mend; busy: boolean; keep: (next: Mend) => void }) {
  const [typed, setTyped] = useState<string | null>(null);
  const reason = String(mend["reason"] ?? "");
  if (typed === null) {
    return (
      <button class="plain reason" disabled={busy} onClick={() => setTyped(reason)}>
        {reason ? `(${reason})` : "add a reason"}
      </button>
    );
  }
  const save = (event: Event): void => {
    event.preventDefault();
    setTyped(null);
    const { reason: _, ...rest } = mend;
    const next = (typed.trim() ? { ...rest, reason: typed.trim() } : rest) as Mend;
    if (typed.trim() !== reason) keep(next);
  };
  return (
    <form class="reason-form" onSubmit={save}>
      <input
        aria-label="reason"
        value={typed}
        onInput={(e) => setTyped(e.currentTarget.value)}
        autoFocus
      />
      <button class="quiet">Keep</button>
    </form>
  );
}

function RunAgain({ id, bench, run }: { id: string; bench: Bench; run: Run }) {
  const state = useSignal(run.state);
  const said = useSignal(run.said);
  // A run that another tab or an earlier page started is followed here too.
  useEffect(() => {
    const going = bench.info.run;
    const unfinished = going?.state === "queued" || going?.state === "running";
    if (going && unfinished && !run.going) void run.follow(going.id);
  }, [bench, run]);
  return (
    <div class="run">
      <button class="main" disabled={run.going} onClick={() => void run.start(id, "/run", {})}>
        {bench.line ? "Run again" : "Run"}
      </button>
      <Progress state={state} cancel={() => void run.cancel()} />
      {said ? (
        <p class="fault" role="alert">
          {said}
        </p>
      ) : null}
    </div>
  );
}
