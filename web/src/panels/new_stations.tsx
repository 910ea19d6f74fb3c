/** Which marker sits where: pick a label, then click its place on the line; or type it. */
import { useState } from "preact/hooks";
import { fieldName, get, metres, type StepProps } from "../model/description";
import { Field } from "./new_field";

export function StationsStep(props: StepProps) {
  const { description, set, found } = props;
  const [active, setActive] = useState<string | null>(null);
  const files = found?.files.filter((f) => f.kind === "markers") ?? [];
  const file = files.find((f) => f.name === get(description, "markers.file")) ?? files[0];
  const labels = file?.labels ?? Object.keys(stationsOf(description));
  const length = found?.files.find((f) => f.name === get(description, "line.table"))?.length ?? 2;
  const stations = stationsOf(description);

  const grip = (get(description, "markers.handle.labels") ?? []) as string[];
  const setGrip = (label: string, on: boolean): void => {
    const next = on ? [...grip, label] : grip.filter((one) => one !== label);
    if (on) assign(label, undefined);
    set("markers.handle", next.length ? { labels: next } : undefined);
  };
  const assign = (label: string, station: string | undefined): void => {
    const next = { ...stations };
    if (station === undefined) delete next[label];
    else next[label] = station;
    set("markers.stations", next);
  };
  const clicked = (station: number): void => {
    const label = active ?? labels.find((l) => !(l in stations) && !grip.includes(l));
    if (!label) return;
    assign(label, `${station.toFixed(3)} m`);
    // The next label without a place is on, so that a row of clicks does it.
    setActive(labels.slice(labels.indexOf(label) + 1).find((l) => !(l in stations)) ?? null);
  };

  return (
    <section class="step" aria-label="Markers">
      <h2>Markers</h2>
      <div class="fields">
        <Field {...props} path="markers.file" say="file" options={files.map((f) => f.name)} />
        <Field {...props} path="markers.sd" say="sd of a coordinate" hint="0.3 mm" />
        <Field {...props} path="markers.mass" say="mass of one" hint="0.3 g" />
        <Field {...props} path="markers.station_sd" say="sd of a station" hint="2 mm" />
      </div>
      <p class="soft">Pick a label, then click where it sits between butt and tip.</p>
      <LinePicture
        length={length}
        stations={stations}
        active={active}
        clicked={clicked}
        pick={setActive}
      />
      {props.faults
        .filter((fault) => /^markers\.(stations|handle)/.test(fault.field))
        .map((fault) => (
          <p class="fault">
            <b>{fieldName(fault.field)}</b>: {fault.problem}
            {fault.remedy ? `; ${fault.remedy}` : ""}
          </p>
        ))}
      <div class="labels">
        {labels.map((label) => (
          <div class={label === active ? "label on" : "label"}>
            <button type="button" aria-pressed={label === active} onClick={() => setActive(label)}>
              {label}
            </button>
            <input
              aria-label={`station of ${label}`}
              value={String(stations[label] ?? "")}
              placeholder={grip.includes(label) ? "on the grip" : "not on the line"}
              disabled={grip.includes(label)}
              onInput={(e) => assign(label, e.currentTarget.value || undefined)}
            />
            <label class="inline" title="fixed to the rigid grip, off the line's axis">
              <input
                type="checkbox"
                aria-label={`${label} is on the grip`}
                checked={grip.includes(label)}
                onChange={(e) => setGrip(label, e.currentTarget.checked)}
              />
              grip
            </label>
            {file?.coverage?.[label] === undefined ? null : (
              <small>{Math.round(100 * file.coverage[label]!)} % seen</small>
            )}
          </div>
        ))}
      </div>
    </section>
  );
}

function stationsOf(description: StepProps["description"]): Record<string, unknown> {
  return (get(description, "markers.stations") ?? {}) as Record<string, unknown>;
}

interface PictureProps {
  length: number;
  stations: Record<string, unknown>;
  active: string | null;
  clicked: (station: number) => void;
  pick: (label: string) => void;
}

const [LEFT, RIGHT] = [30, 970];

/** The line laid out straight, to scale along its length. */
function LinePicture({ length, stations, active, clicked, pick }: PictureProps) {
  const x = (s: number): number => LEFT + (s / length) * (RIGHT - LEFT);
  const press = (event: MouseEvent): void => {
    const box = (event.currentTarget as SVGElement).getBoundingClientRect();
    const at = ((event.clientX - box.left) / box.width) * 1000;
    clicked(Math.min(Math.max(((at - LEFT) / (RIGHT - LEFT)) * length, 0), length));
  };
  return (
    <svg
      class="line-picture"
      viewBox="0 0 1000 96"
      onClick={press}
      role="img"
      aria-label="the line from butt to tip"
    >
      <path d={`M${LEFT} 48L${LEFT} 42L${RIGHT} 46.5L${RIGHT} 49.5L${LEFT} 54Z`} class="body" />
      <text x={LEFT} y="88">
        butt, 0
      </text>
      <text x={RIGHT} y="88" text-anchor="end">
        tip, {length.toFixed(3)} m
      </text>
      {Object.entries(stations).map(([label, value], i) => {
        const s = metres(value);
        if (!Number.isFinite(s)) return null;
        return (
          <g
            class={label === active ? "on" : ""}
            onClick={(event) => {
              event.stopPropagation();
              pick(label);
            }}
          >
            <circle cx={x(s)} cy="48" r="7" />
            <text x={x(s)} y={i % 2 ? 72 : 32} text-anchor="middle">
              {label}
            </text>
          </g>
        );
      })}
    </svg>
  );
}
