/** One field of the description, with what is wrong with it right beneath. */
import { get, type StepProps } from "../model/description";

interface Props extends StepProps {
  path: string;
  say: string;
  hint?: string;
  options?: string[];
}

export function Field({ description, set, faults, path, say, hint, options }: Props) {
  const value = get(description, path);
  const wrong = faults.filter((fault) => fault.field === path);
  const shown =
    value === undefined || value === null
      ? ""
      : typeof value === "object"
        ? JSON.stringify(value)
        : String(value);
  return (
    <label class={wrong.length ? "wrong" : ""}>
      {say}
      {options ? (
        <select name={path} value={shown} onChange={(e) => set(path, e.currentTarget.value)}>
          {options.includes(shown) ? null : <option value={shown}>{shown}</option>}
          {options.map((option) => (
            <option value={option}>{option || "–"}</option>
          ))}
        </select>
      ) : (
        <input
          name={path}
          value={shown}
          placeholder={hint ?? ""}
          aria-invalid={wrong.length > 0}
          onInput={(e) => set(path, read(e.currentTarget.value))}
        />
      )}
      {wrong.map((fault) => (
        <small class="fault">
          {fault.problem}
          {fault.remedy ? `; ${fault.remedy}` : ""}
        </small>
      ))}
    </label>
  );
}

/** Lists and tables are typed as JSON; everything else stays text, units and all. */
function read(typed: string): unknown {
  if (/^\s*[[{]/.test(typed)) {
    try {
      return JSON.parse(typed);
    } catch {
      return typed;
    }
  }
  return typed;
}
