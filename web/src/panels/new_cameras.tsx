/** Cameras and their clocks: what each shows, its points or frames, rate, projection. */
import { get, type StepProps } from "../model/description";
import { Field } from "./new_field";

export function CamerasStep(props: StepProps) {
  const cameras = (get(props.description, "cameras") ?? []) as unknown[];
  const add = (): void =>
    props.set("cameras", [...cameras, { name: freeName(cameras) }]);
  return (
    <section class="step" aria-label="Cameras and clocks">
      <h2>Cameras and clocks</h2>
      {cameras.length ? null : (
        <p class="soft">None: the motion then comes from the markers alone.</p>
      )}
      {cameras.map((_, i) => (
        <Camera {...props} index={i} remove={() => props.set(`cameras.${i}`, undefined)} />
      ))}
      <button type="button" onClick={add}>
        Add a camera
      </button>
    </section>
  );
}

function freeName(cameras: unknown[]): string {
  const taken = new Set(cameras.map((one) => (one as { name?: string }).name));
  for (let n = cameras.length + 1; ; n++) if (!taken.has(`camera ${n}`)) return `camera ${n}`;
}

function Camera(props: StepProps & { index: number; remove: () => void }) {
  const at = `cameras.${props.index}`;
  const file = props.found?.files.find((f) => f.name === get(props.description, `${at}.points`));
  const table = get(props.description, "line.table");
  const length = props.found?.files.find((f) => f.name === table)?.length;
  const features = file?.features?.length ? file.features : ["tip"];
  const names = (kind: string): string[] => [
    "",
    ...(props.found?.files.filter((f) => f.kind === kind).map((f) => f.name) ?? []),
  ];
  return (
    <fieldset>
      <legend>{String(get(props.description, `${at}.name`) ?? `camera ${props.index + 1}`)}</legend>
      <div class="fields">
        <Field {...props} path={`${at}.name`} say="name" />
        <Field
          {...props}
          path={`${at}.shows`}
          say="its images show"
          options={["schlieren", "line", "dots"]}
        />
        <Field {...props} path={`${at}.rate`} say="rate" hint="20 kHz" />
        <Field {...props} path={`${at}.size`} say="size [px]" hint="[1024, 1024]" />
        <Field {...props} path={`${at}.points`} say="tracked points" options={names("points")} />
        <Field
          {...props}
          path={`${at}.frames`}
          say="frames (pattern or film)"
          hint="frames/*.tif"
        />
        <Field {...props} path={`${at}.calibration`} say="calibration file" hint="tip-view.toml" />
        <Field
          {...props}
          path={`${at}.projection`}
          say="or projection 3 x 4"
          hint="[[…], […], […]]"
        />
        <Field {...props} path={`${at}.sd`} say="sd of a point" hint="0.4 px" />
        <Field
          {...props}
          path={`${at}.clock.offset`}
          say="clock: lab time of frame 0"
          hint="0.738 s"
        />
        <Field {...props} path={`${at}.clock.offset_sd`} say="its sd" hint="2 ms" />
        <Field {...props} path={`${at}.clock.drift_sd`} say="sd of its drift" hint="5e-6" />
        <Field
          {...props}
          path={`${at}.flashes`}
          say="frames with a flash"
          options={names("flashes")}
        />
        {features.map((name) => (
          <Field
            {...props}
            path={`${at}.stations.${name}`}
            say={`station of ${name}`}
            hint={name === "tip" && length ? `${length} m` : "1.20 m"}
          />
        ))}
      </div>
      <button type="button" class="quiet" onClick={props.remove}>
        Remove this camera
      </button>
    </fieldset>
  );
}
