/** Usable, usable with care, or not; told by a sign and a word, not by colour alone. */
import type { TrialRow } from "../model/trial";

const WORDS = { usable: "usable", care: "with care", unusable: "unusable" } as const;
const SIGNS = { usable: "●", care: "◐", unusable: "○" } as const;

export function Verdict({ verdict, reasons }: { verdict: TrialRow["verdict"]; reasons: string[] }) {
  return (
    <div class={`verdict ${verdict}`}>
      <span>
        <span aria-hidden="true">{SIGNS[verdict]}</span> {WORDS[verdict] ?? verdict}
      </span>
      {reasons.length ? <small>{reasons.join("; ")}</small> : null}
    </div>
  );
}
