/** The form for a mend. It is filled from what is selected, and what is typed outlives a reload. */
import { useEffect, useState } from "preact/hooks";
import { useSignal } from "../core/signal";
import type { Bench } from "../model/bench";
import { MEND_KINDS, faultOf, spanFault, toSi, type MendField, type MendKind } from "../model/mend_kinds";
import type { Mend, Mends } from "../model/mends";
import { frameAt, frameRange } from "../model/trial";

type Draft = Record<string, string>;

function useDraft(id: string): [Draft, (change: Draft) => void, () => void] {
  const key = `lashwave.mend.${id}`;
  const [draft, setDraft] = useState<Draft>(() => {
    try {
      return JSON.parse(sessionStorage.getItem(key) ?? "{}") as Draft;
    } catch {
      return {};
    }
  });
  const change = (some: Draft): void =>
    setDraft((old) => {
      const next = { ...old, ...some };
      sessionStorage.setItem(key, JSON.stringify(next));
      return next;
    });
  const clear = (): void => {
    sessionStorage.removeItem(key);
    setDraft((old) => ({ kind: old["kind"] ?? "" }));
  };
  return [draft, change, clear];
}

export function MendForm({ id, bench, mends }: { id: string; bench: Bench; mends: Mends }) {
  const [draft, change, clear] = useDraft(id);
  const [fault, setFault] = useState<string | null>(null);
  const list = useSignal(mends.list);
  const busy = useSignal(mends.busy);
  const kinds = MEND_KINDS.filter(
    (k) =>
      (list?.kinds?.includes(k.kind) ?? true) &&
      (bench.info.cameras.length || !k.fields.some((f) => f.kind === "camera")),
  );
  const kind = kinds.find((k) => k.kind === draft["kind"]) ?? kinds[0];
  useFilling(bench, change);
  useDrafted(bench, kind, draft);
  if (!kind) return null;

  const save = async (event: Event): Promise<void> => {
    event.preventDefault();
    const wrong =
      kind.fields.map((f) => faultOf(f, valueOf(bench, f, draft))).find(Boolean) ??
      spanOf(bench, kind, draft);
    setFault(wrong);
    if (!wrong && (await mends.add(mendOf(bench, kind, draft)))) clear();
  };

  return (
    <form class="mend-form" onSubmit={(event) => void save(event)}>
      <h3>Another mend</h3>
      <label>
        kind
        <select value={kind.kind} onChange={(e) => change({ kind: e.currentTarget.value })}>
          {kinds.map((k) => (
            <option value={k.kind}>{k.say}</option>
          ))}
        </select>
      </label>
      <p class="soft">{kind.hint}</p>
      {kind.fields.map((field) => (
        <Input {...{ bench, field, draft, change }} />
      ))}
      {kind.kind === "correct-point" ? <PickButton bench={bench} /> : null}
      <label>
        reason
        <input
          value={draft["reason"] ?? ""}
          onInput={(e) => change({ reason: e.currentTarget.value })}
          placeholder="goes into the report"
        />
      </label>
      {fault ? (
        <p class="fault" role="alert">
          {fault}
        </p>
      ) : null}
      <button class="main" disabled={busy}>
        Save the mend
      </button>
    </form>
  );
}

/** Shows the point that is about to be corrected in its frame, linked with where it was. */
function useDrafted(bench: Bench, kind: MendKind | undefined, draft: Draft): void {
  const [u, v, frame] = [draft["u"], draft["v"], draft["frame"]].map(Number);
  const camera = draft["camera"] ?? bench.activeCamera?.name ?? "";
  const on = kind?.kind === "correct-point" && Boolean(draft["u"]) && Boolean(draft["v"]);
  useEffect(() => {
    const points = bench.sightings?.cameras.find((one) => one.name === camera);
    const at = points ? points.frame.indexOf(frame!) : -1;
    const was = at < 0 ? null : ([points!.uv[2 * at]!, points!.uv[2 * at + 1]!] as [number, number]);
    bench.drafted.value = on ? { camera, frame: frame!, was, is: [u!, v!] } : null;
  }, [bench, on, camera, frame, u, v]);
}

/** What is wrong with the form's from and to, against the record of the trial or the camera. */
function spanOf(bench: Bench, kind: MendKind, draft: Draft): string | null {
  const [from, to] = ["from", "to"].map((name) => kind.fields.find((f) => f.name === name));
  if (!from || !to) return null;
  const [begin, end] = [from, to].map((f) => valueOf(bench, f, draft)) as [string, string];
  if (from.kind === "time") {
    const times = bench.sightings?.time;
    if (!times?.length) return null;
    return spanFault(begin, end, 1e3 * times[0]!, 1e3 * times[times.length - 1]!, "ms");
  }
  const name = valueOf(bench, { name: "camera", say: "camera", kind: "camera" }, draft);
  const camera = bench.info.cameras.find((one) => one.name === name);
  if (!camera) return null;
  return spanFault(begin, end, ...frameRange(camera), "(frame)");
}

/** The unit that a column of the line's file states, and its factor to SI. */
function columnUnit(bench: Bench, column: string): { unit: string; factor: number } {
  const si: Record<string, string> = {
    station: "m",
    diameter: "m",
    linear_density: "kg/m",
    bending_stiffness: "N m^2",
    axial_stiffness: "N",
  };
  return bench.info.line.units?.[column] ?? { unit: si[column] ?? "", factor: 1 };
}

/** Selecting a marker, marking a span or clicking a frame fills the form. */
function useFilling(bench: Bench, change: (some: Draft) => void): void {
  useEffect(() => {
    const offs = [
      bench.selection.on(({ marker }) => {
        if (marker) change({ marker });
      }),
      bench.span.on((span) => {
        if (span) change({ from: (1e3 * span.from).toFixed(3), to: (1e3 * span.to).toFixed(3) });
      }),
      bench.picked.on((picked) => {
        if (picked)
          change({ frame: String(picked.frame), u: picked.u.toFixed(2), v: picked.v.toFixed(2) });
        bench.picking.value = false;
      }),
    ];
    return () => offs.forEach((off) => off());
  }, [bench]);
}

/** Frames have their own from and to, and rows their own station: neither is the other one. */
function keyOf(field: MendField): string {
  if (field.kind === "row") return "row";
  return field.kind === "frame" && field.name !== "frame" ? `frame_${field.name}` : field.name;
}

function optionsOf(bench: Bench, field: MendField, draft: Draft): string[] | null {
  const { info, sightings } = bench;
  if (field.kind === "marker" || field.kind === "label") return info.markers.labels;
  if (field.kind === "camera") return info.cameras.map((camera) => camera.name);
  const table = info.line.table ?? {};
  if (field.kind === "row") return (table["station"] ?? []).map(String);
  if (field.kind === "column") return Object.keys(table).filter((name) => name !== "station");
  if (field.kind !== "feature") return null;
  const camera = draft["camera"] ?? info.cameras[bench.camera.value]?.name;
  const features = sightings?.cameras.find((points) => points.name === camera)?.features;
  return features?.length ? features : ["tip"];
}

/** What the form shows in a field: what was typed, else what stands to reason. */
function valueOf(bench: Bench, field: MendField, draft: Draft): string {
  const typed = draft[keyOf(field)];
  const options = optionsOf(bench, field, draft);
  if (typed !== undefined && (!options || options.includes(typed))) return typed;
  if (field.kind === "camera") return bench.activeCamera?.name ?? "";
  if (field.kind === "label") return options?.find((o) => o !== draft["marker"]) ?? "";
  if (field.kind === "marker") return bench.selection.value.marker ?? options?.[0] ?? "";
  if (options) return options[0] ?? "";
  if (field.kind === "frame" && bench.activeCamera)
    return String(frameAt(bench.activeCamera, bench.time.value));
  return "";
}

function mendOf(bench: Bench, kind: MendKind, draft: Draft): Mend {
  const mend: Mend = { kind: kind.kind };
  for (const field of kind.fields) {
    const typed = valueOf(bench, field, draft);
    const column = valueOf(bench, { name: "column", say: "column", kind: "column" }, draft);
    const factor = field.kind === "value" ? columnUnit(bench, column).factor : 1;
    if (typed.trim() !== "") mend[field.name] = toSi(field, typed, factor);
  }
  if (draft["reason"]?.trim()) mend["reason"] = draft["reason"].trim();
  return mend;
}

interface InputProps {
  bench: Bench;
  field: MendField;
  draft: Draft;
  change: (some: Draft) => void;
}

function Input({ bench, field, draft, change }: InputProps) {
  const options = optionsOf(bench, field, draft);
  const value = valueOf(bench, field, draft);
  const set = (next: string): void => change({ [keyOf(field)]: next });
  if (options) {
    return (
      <label>
        {field.say}
        {field.unit ? ` [${field.unit}]` : ""}
        <select name={field.name} value={value} onChange={(e) => set(e.currentTarget.value)}>
          {options.map((option) => (
            <option>{option}</option>
          ))}
        </select>
      </label>
    );
  }
  const now = (): void =>
    set(
      field.kind === "time"
        ? (1e3 * bench.time.value).toFixed(3)
        : String(bench.activeCamera ? frameAt(bench.activeCamera, bench.time.value) : ""),
    );
  const column = valueOf(bench, { name: "column", say: "column", kind: "column" }, draft);
  const unit = field.kind === "value" ? columnUnit(bench, column).unit : field.unit;
  return (
    <label>
      {field.say}
      {unit ? ` [${unit}]` : ""}
      <input
        name={field.name}
        inputMode={field.kind === "text" ? "text" : "decimal"}
        value={value}
        onInput={(e) => set(e.currentTarget.value)}
      />
      {field.kind === "time" || field.kind === "frame" ? (
        <button type="button" class="quiet" onClick={now} title="take the clock's">
          now
        </button>
      ) : null}
    </label>
  );
}

function PickButton({ bench }: { bench: Bench }) {
  const picking = useSignal(bench.picking);
  return (
    <button
      type="button"
      aria-pressed={picking}
      onClick={() => {
        bench.picking.value = !picking;
      }}
    >
      {picking ? "Now click the point in the frame" : "Click in the frame"}
    </button>
  );
}
