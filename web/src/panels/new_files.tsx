/** First step: which folder, and what was recognised in it. */
import { figures } from "../core/format";
import type { FoundFile, Inspection } from "../model/description";

interface Props {
  path: string;
  setPath: (path: string) => void;
  inspect: () => void;
  found: Inspection | null;
}

export function FilesStep({ path, setPath, inspect, found }: Props) {
  return (
    <section class="step" aria-label="Files">
      <h2>Files</h2>
      <form
        onSubmit={(event) => {
          event.preventDefault();
          inspect();
        }}
      >
        <label>
          folder with what the instruments wrote (inside the folder that is open)
          <input name="path" value={path} onInput={(e) => setPath(e.currentTarget.value)} placeholder="bench-07" />
        </label>
        <button class="main" disabled={!path.trim()}>Look inside</button>
      </form>
      {found ? found.files.length ? <FileTable files={found.files} /> : <p class="fault">No file in it was recognised.</p> : null}
    </section>
  );
}

function FileTable({ files }: { files: FoundFile[] }) {
  return (
    <table>
      <thead><tr><th>File</th><th>Is</th><th>Columns and units</th><th>Rows</th><th>Rate</th></tr></thead>
      <tbody>
        {files.map((file) => (
          <tr>
            <td>{file.name}{file.problems.map((problem) => <small class="fault">{problem}</small>)}</td>
            <td>{file.kind}</td>
            <td>{file.columns.map((c) => `${c.name}${c.unit ? ` [${c.unit}]` : ""}${c.means && c.means !== c.name ? ` = ${c.means}` : ""}`).join(", ")}</td>
            <td>{file.rows ?? "–"}</td>
            <td>{file.rate ? `${figures(file.rate, 5)} Hz` : "–"}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
