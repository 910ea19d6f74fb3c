/** The answers with their uncertainty, and every warning. */
import { figures, readableUnit, withSd } from "../core/format";
import type { Bench } from "../model/bench";
import type { Quantity } from "../model/trial";

export function Answers({ bench }: { bench: Bench }) {
  const entries = Object.entries(bench.info.quantities);
  return (
    <>
      {bench.info.warnings.length ? (
        <ul class="warnings">
          {bench.info.warnings.map((line) => (
            <li>{line}</li>
          ))}
        </ul>
      ) : entries.length ? (
        <p class="soft">No warnings.</p>
      ) : null}
      {entries.length ? (
        <table class="numbers">
          <tbody>
            {entries.map(([name, quantity]) => (
              <tr title={[quantity.definition, interval(quantity)].filter(Boolean).join("\n")}>
                <th scope="row">{name.replace(/_/g, " ")}</th>
                <td>{text(quantity)}</td>
              </tr>
            ))}
          </tbody>
        </table>
      ) : (
        <p class="soft">No answers yet: run the trial from the Mends panel.</p>
      )}
    </>
  );
}

function text(quantity: Quantity): string {
  if (quantity.value === null) return quantity.reason ?? "none";
  const chance =
    quantity.probability !== undefined && quantity.probability < 1
      ? ` (probability ${figures(quantity.probability, 3)})`
      : "";
  // Moments and clock offsets are read in milliseconds, as on the time line.
  const [factor, unit] = quantity.unit === "s" ? [1e3, "ms"] : [1, quantity.unit];
  const sd = quantity.sd === null || quantity.sd === undefined ? null : factor * quantity.sd;
  return withSd(factor * quantity.value, sd, unit) + chance;
}

function interval(quantity: Quantity): string {
  if (quantity.low95 === null || quantity.low95 === undefined) return "";
  return `95 %: ${figures(quantity.low95, 6)} to ${figures(quantity.high95 ?? NaN, 6)} ${readableUnit(quantity.unit)}`;
}
