/** A new trial from instrument files, step by step, checked as one types. */
import { useEffect, useState } from "preact/hooks";
import { Refusal, send } from "../core/api";
import { Head } from "../panels/head";
import { FilesStep } from "../panels/new_files";
import { CamerasStep } from "../panels/new_cameras";
import { BasicsStep, LineStep } from "../panels/new_basics";
import { StationsStep } from "../panels/new_stations";
import {
  fieldName,
  get,
  put,
  type Description,
  type Fault,
  type Inspection,
  type Units,
} from "../model/description";

const DRAFT = "lashwave.new";

interface Draft {
  path: string;
  found: Inspection | null;
  description: Description;
  units: Units;
  /** Name of the trial's folder that is written; beside the instruments' own. */
  folder: string;
}

const BLANK: Draft = { path: "", found: null, description: {}, units: {}, folder: "" };

function kept(): Draft {
  try {
    const read = JSON.parse(sessionStorage.getItem(DRAFT) ?? "null") as Draft | null;
    if (read) return { ...BLANK, ...read };
  } catch {
    // A draft that cannot be read is begun anew.
  }
  return BLANK;
}

interface Checked {
  toml: string;
  faults: Fault[];
  verdict?: string | null;
  findings?: { level: string; about: string; text: string }[];
}

/** Asks the server for faults a moment after the last key. */
function useCheck(draft: Draft): Checked | null {
  const [checked, setChecked] = useState<Checked | null>(null);
  useEffect(() => {
    if (!draft.found) return;
    const timer = setTimeout(() => {
      const body = { description: draft.description, path: draft.path, units: draft.units };
      send<Checked>("POST", "/api/new/check", body).then(setChecked, (refused: Refusal) => {
        if (refused.status)
          setChecked({
            toml: "",
            faults: [{ field: refused.field ?? "", problem: refused.message, remedy: "" }],
          });
      });
    }, 250);
    return () => clearTimeout(timer);
  }, [draft]);
  return checked;
}

export function NewPage() {
  const [draft, setDraft] = useState(kept);
  const [said, setSaid] = useState<string | null>(null);
  const checked = useCheck(draft);
  useEffect(() => sessionStorage.setItem(DRAFT, JSON.stringify(draft)), [draft]);

  const set = (path: string, value: unknown): void =>
    setDraft((old) => ({ ...old, description: put(old.description, path, value) }));
  /** Anew with what is guessed, or once more after a unit was set right, keeping what was entered. */
  const inspect = async (units: Units, anew: boolean): Promise<void> => {
    setSaid(null);
    try {
      const found = await send<Inspection>("POST", "/api/new/inspect", { path: draft.path, units });
      const description = anew ? found.guess : draft.description;
      const folder = anew ? `${draft.path.replace(/[/\s]+/g, "-")}-trial` : draft.folder;
      setDraft({ ...draft, found, description, units, folder });
    } catch (refused) {
      setSaid((refused as Refusal).message);
    }
  };
  const setUnit = (file: string, column: string, unit: string): void => {
    const units = { ...draft.units, [file]: { ...draft.units[file], [column]: unit } };
    void inspect(units, false);
  };
  const write = async (): Promise<void> => {
    setSaid(null);
    try {
      const { description, folder, path, units } = draft;
      const body = { description, folder, path, units };
      const { id } = await send<{ id: string }>("POST", "/api/new/write", body);
      sessionStorage.removeItem(DRAFT);
      location.hash = `#/trial/${encodeURIComponent(id)}`;
    } catch (refused) {
      setSaid((refused as Refusal).message);
    }
  };

  const faults = checked?.faults ?? [];
  const step = { description: draft.description, set, faults, found: draft.found };
  return (
    <>
      <Head title="New trial">
        <h1>New trial</h1>
      </Head>
      <main class="new">
        <div class="steps-column">
          <FilesStep
            path={draft.path}
            setPath={(path) => setDraft({ ...draft, path })}
            inspect={() => void inspect({}, true)}
            found={draft.found}
            units={draft.units}
            setUnit={setUnit}
          />
          {draft.found ? (
            <>
              <BasicsStep {...step} />
              <LineStep {...step} />
              <StationsStep {...step} />
              <CamerasStep {...step} />
            </>
          ) : null}
          {said ? (
            <p class="fault" role="alert">
              {said}
            </p>
          ) : null}
          {draft.found ? (
            <p class="links">
              <label class="inline">
                trial folder
                <input
                  name="folder"
                  value={draft.folder}
                  onInput={(e) => setDraft({ ...draft, folder: e.currentTarget.value })}
                />
              </label>
              <button
                class="main"
                disabled={!checked || faults.length > 0 || !draft.folder.trim()}
                onClick={() => void write()}
              >
                Write the trial
              </button>
              <button
                onClick={() => {
                  setDraft(BLANK);
                }}
              >
                Begin anew
              </button>
              {faults.length ? (
                <span class="soft">
                  {" "}
                  {faults.length} thing{faults.length > 1 ? "s" : ""} to mend first
                </span>
              ) : null}
            </p>
          ) : null}
        </div>
        {draft.found ? (
          <Preview checked={checked} name={String(get(draft.description, "trial.name") ?? "")} />
        ) : null}
      </main>
    </>
  );
}

function Preview({ checked, name }: { checked: Checked | null; name: string }) {
  return (
    <aside class="preview" aria-live="polite">
      <h2>{name || "trial"}: trial.toml</h2>
      {checked?.faults.length ? (
        <ul class="warnings">
          {checked.faults.map((fault) => (
            <li>
              <b>{fieldName(fault.field)}</b>: {fault.problem}
              {fault.remedy ? `; ${fault.remedy}` : ""}
            </li>
          ))}
        </ul>
      ) : checked ? (
        <>
          <p class="good">
            Nothing is wrong with it{checked.verdict ? `: ${checked.verdict}` : ""}.
          </p>
          <ul>
            {(checked.findings ?? []).map((f) => (
              <li>
                {f.about}: {f.text}
              </li>
            ))}
          </ul>
        </>
      ) : (
        <p class="soft">Checking…</p>
      )}
      <pre>{checked?.toml ?? ""}</pre>
    </aside>
  );
}
