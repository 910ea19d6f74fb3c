/** First step: which folder, and what was recognised in it. */
import { useEffect, useState } from "preact/hooks";
import { getJson } from "../core/api";
import { figures } from "../core/format";
import type { FoundColumn, FoundFile, Inspection, Units } from "../model/description";

interface Props {
  path: string;
  setPath: (path: string) => void;
  inspect: () => void;
  found: Inspection | null;
  units: Units;
  setUnit: (file: string, column: string, unit: string) => void;
}

interface Folder {
  path: string;
  files: number;
}

export function FilesStep(props: Props) {
  const { path, setPath, inspect, found } = props;
  const [folders, setFolders] = useState<Folder[]>([]);
  useEffect(() => {
    getJson<{ folders: Folder[] }>("/api/new/folders").then(
      (read) => setFolders(read.folders),
      () => undefined,
    );
  }, []);
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
          folder with what the instruments wrote, inside the folder that is open
          <input
            name="path"
            list="folders"
            value={path}
            onInput={(e) => setPath(e.currentTarget.value)}
            placeholder="bench-07"
          />
          <datalist id="folders">
            {folders.map((f) => (
              <option value={f.path}>{f.files} files</option>
            ))}
          </datalist>
        </label>
        <button class="main" disabled={!path.trim()}>
          Look inside
        </button>
      </form>
      {found || !folders.length ? null : (
        <p class="links">
          {folders.map((f) => (
            <button type="button" onClick={() => setPath(f.path)}>
              {f.path} ({f.files} files)
            </button>
          ))}
        </p>
      )}
      {found && !found.files.length ? <p class="fault">No file in it was recognised.</p> : null}
      {found?.files.length ? <FileTable {...props} files={found.files} /> : null}
    </section>
  );
}

function FileTable({ files, units, setUnit }: Props & { files: FoundFile[] }) {
  return (
    <table class="files">
      <thead>
        <tr>
          <th>File</th>
          <th>Is</th>
          <th>Columns and units</th>
          <th>Rows</th>
          <th>Rate</th>
        </tr>
      </thead>
      <tbody>
        {files.map((file) => (
          <tr>
            <td>
              {file.name}
              {file.problems.map((problem) => (
                <small class="fault">{problem}</small>
              ))}
            </td>
            <td>{file.kind}</td>
            <td>
              {file.columns.map((column) => (
                <Column
                  column={column}
                  file={file.name}
                  stated={units[file.name]?.[column.name]}
                  setUnit={setUnit}
                />
              ))}
            </td>
            <td>{file.rows ?? "–"}</td>
            <td>{file.rate ? `${figures(file.rate, 5)} Hz` : "–"}</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

interface ColumnProps {
  column: FoundColumn;
  file: string;
  stated: string | undefined;
  setUnit: Props["setUnit"];
}

/** A heading with its unit, which can be set right; a unit that was guessed stands out. */
function Column({ column, file, stated, setUnit }: ColumnProps) {
  const name = column.name.replace(/\s*\[.*\]$/, "");
  return (
    <label
      class={column.guessed && stated === undefined ? "column guessed" : "column"}
      title={column.means ?? ""}
    >
      {name}
      {column.unit === null && stated === undefined ? null : (
        <input
          aria-label={`unit of ${name} in ${file}`}
          value={stated ?? column.unit ?? ""}
          onChange={(e) => setUnit(file, column.name, e.currentTarget.value)}
        />
      )}
    </label>
  );
}
