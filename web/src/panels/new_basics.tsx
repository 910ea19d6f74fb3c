/** Name, air, and the line that was thrown. */
import type { StepProps } from "../model/description";
import { Field } from "./new_field";

export function BasicsStep(props: StepProps) {
  return (
    <section class="step" aria-label="Trial and air">
      <h2>Trial and air</h2>
      <div class="fields">
        <Field {...props} path="trial.name" say="name" />
        <Field {...props} path="trial.specimen" say="line (specimen)" />
        <Field {...props} path="trial.thrower" say="thrower" />
        <Field {...props} path="air.temperature" say="air temperature" hint="20 degC" />
        <Field {...props} path="air.pressure" say="air pressure" hint="101.325 kPa" />
        <Field {...props} path="air.relative_humidity" say="relative humidity" hint="0.5" />
      </div>
    </section>
  );
}

export function LineStep(props: StepProps) {
  const tables = props.found?.files.filter((f) => f.kind === "line").map((f) => f.name) ?? [];
  return (
    <section class="step" aria-label="Line">
      <h2>Line</h2>
      <div class="fields">
        <Field {...props} path="line.table" say="table of the line" options={tables} />
        <Field {...props} path="line.handle_length" say="length of the rigid grip" hint="0 m" />
        <Field {...props} path="line.ends" say="far end" options={["free", "held"]} />
      </div>
    </section>
  );
}
