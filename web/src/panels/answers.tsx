/** The answers in the register's groups, each with meaning and interval; and every warning. */
import { between, figures, skewed, withSd } from "../core/format";
import type { Bench } from "../model/bench";
import type { Quantity } from "../model/trial";

export function Answers({ bench }: { bench: Bench }) {
  const { info } = bench;
  const groups = grouped(info.quantities);
  return (
    <>
      {info.before ? <Before now={info.quantities} before={info.before} /> : null}
      {info.warnings.length ? (
        <ul class="warnings">
          {info.warnings.map((line) => (
            <li>{line}</li>
          ))}
        </ul>
      ) : groups.length ? (
        <p class="soft">No warnings.</p>
      ) : null}
      {groups.length ? (
        <p class="soft">A value is the median of its draws, ± their standard deviation.</p>
      ) : (
        <p class="soft">No answers yet: run the trial from the Mends panel.</p>
      )}
      {groups.map(([group, entries]) => (
        <section class="answer-group" aria-label={group}>
          <h3>{group}</h3>
          <dl>
            {entries.map(([name, quantity]) => (
              <div class={quantity.value === null ? "none" : ""}>
                <dt>{plain(name)}</dt>
                <dd>
                  <b>{valueText(quantity)}</b>
                  <span>{intervalText(quantity)}</span>
                </dd>
                {quantity.definition ? <dd class="meaning">{quantity.definition}</dd> : null}
              </div>
            ))}
          </dl>
        </section>
      ))}
    </>
  );
}

/** In the register's order, which the server keeps: what is asked first stands first. */
function grouped(quantities: Record<string, Quantity>): [string, [string, Quantity][]][] {
  const found = new Map<string, [string, Quantity][]>();
  for (const [name, quantity] of Object.entries(quantities)) {
    const group = quantity.group ?? "Other";
    found.set(group, [...(found.get(group) ?? []), [name, quantity]]);
  }
  return [...found];
}

export function plain(name: string): string {
  return name.replace(/_/g, " ");
}

/** Moments and clock offsets are read in milliseconds, as on the time line. */
function readable(quantity: Quantity): [factor: number, unit: string] {
  return quantity.unit === "s" ? [1e3, "ms"] : [1, quantity.unit];
}

/** Value and sd; where the interval is lopsided, the interval itself, which says more. */
export function valueText(quantity: Quantity): string {
  const { value, sd, low95, high95 } = quantity;
  if (value === null) return quantity.reason ?? "none";
  const [factor, unit] = readable(quantity);
  if (typeof low95 === "number" && typeof high95 === "number" && skewed(value, low95, high95))
    return `${between(factor * low95, factor * high95, unit)} (95 %)`;
  return withSd(factor * value, typeof sd === "number" ? factor * sd : null, unit);
}

function intervalText(quantity: Quantity): string {
  const { value, low95, high95, probability } = quantity;
  if (value === null) return "";
  const [factor, unit] = readable(quantity);
  const parts: string[] = [];
  if (typeof low95 === "number" && typeof high95 === "number" && high95 > low95) {
    parts.push(
      skewed(value, low95, high95)
        ? `median ${figures(factor * value, 3)}`
        : `95 %: ${between(factor * low95, factor * high95, unit)}`,
    );
  }
  if (probability !== undefined && probability < 1)
    parts.push(`in ${figures(100 * probability, 3)} % of the draws`);
  return parts.join("; ");
}

/** Before and after the last run: what changed, first what changed most. */
function Before({
  now,
  before,
}: {
  now: Record<string, Quantity>;
  before: Record<string, Quantity>;
}) {
  const rows = Object.keys(now)
    .filter((name) => before[name] && changed(now[name]!, before[name]!) > 0.02)
    .sort((a, b) => changed(now[b]!, before[b]!) - changed(now[a]!, before[a]!))
    .slice(0, 12);
  return (
    <section class="answer-group" aria-label="before and after the last run">
      <h3>Before and after the last run</h3>
      {rows.length ? (
        <table class="numbers compared">
          <thead>
            <tr>
              <th scope="col">answer</th>
              <th scope="col">before</th>
              <th scope="col">after</th>
              <th scope="col">change [sd]</th>
            </tr>
          </thead>
          <tbody>
            {rows.map((name) => (
              <tr>
                <th scope="row">{plain(name)}</th>
                <td>{valueText(before[name]!)}</td>
                <td>{valueText(now[name]!)}</td>
                <td>{changeText(now[name]!, before[name]!)}</td>
              </tr>
            ))}
          </tbody>
        </table>
      ) : (
        <p class="soft">No answer moved by more than a fiftieth of its standard deviation.</p>
      )}
    </section>
  );
}

/** The change in standard deviations of the answer before; much where one of them has no value. */
function changed(now: Quantity, before: Quantity): number {
  if (now.value === null || before.value === null) return now.value === before.value ? 0 : 1e9;
  const sd = before.sd || now.sd || 0;
  const gap = Math.abs(now.value - before.value);
  return sd > 0 ? gap / sd : gap > 0 ? 1e9 : 0;
}

function changeText(now: Quantity, before: Quantity): string {
  const size = changed(now, before);
  if (size >= 1e9) return "other";
  const sign = (now.value ?? 0) < (before.value ?? 0) ? "−" : "+";
  return `${sign}${size.toFixed(size < 10 ? 1 : 0)}`;
}
