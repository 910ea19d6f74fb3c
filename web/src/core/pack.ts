/** Arrays in one reply: length of a JSON header, the header, arrays padded to eight bytes. */
export type Numbers = Float32Array | Float64Array | Int32Array | Uint8Array;

interface Entry {
  dtype: "f4" | "f8" | "i4" | "u1";
  shape: number[];
  offset: number;
}

const KINDS = {
  f4: Float32Array,
  f8: Float64Array,
  i4: Int32Array,
  u1: Uint8Array,
} as const;

export class Pack {
  readonly header: Record<string, unknown>;
  private readonly entries: Record<string, Entry>;
  private readonly start: number;

  constructor(private readonly bytes: ArrayBuffer) {
    const length = new DataView(bytes).getUint32(0, true);
    const text = new TextDecoder().decode(new Uint8Array(bytes, 4, length));
    this.header = JSON.parse(text) as Record<string, unknown>;
    this.entries = this.header["arrays"] as Record<string, Entry>;
    this.start = 4 + length;
  }

  has(name: string): boolean {
    return name in this.entries;
  }

  shape(name: string): number[] {
    return this.entries[name]?.shape ?? [];
  }

  /** The array itself, a view of the reply; undefined where the pack has none of that name. */
  find(name: string): Numbers | undefined {
    const entry = this.entries[name];
    if (!entry) return undefined;
    const count = entry.shape.reduce((a, b) => a * b, 1);
    return new KINDS[entry.dtype](this.bytes, this.start + entry.offset, count);
  }

  floats(name: string): Float32Array {
    const found = this.find(name);
    if (found instanceof Float32Array) return found;
    return found ? Float32Array.from(found) : new Float32Array(0);
  }

  doubles(name: string): Float64Array {
    const found = this.find(name);
    if (found instanceof Float64Array) return found;
    return found ? Float64Array.from(found) : new Float64Array(0);
  }

  whole(name: string): Int32Array {
    const found = this.find(name);
    if (found instanceof Int32Array) return found;
    return found ? Int32Array.from(found) : new Int32Array(0);
  }
}
