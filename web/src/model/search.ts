/** Places in sorted times. */

/** Index of the last entry that is not after `t`; 0 before the first. */
export function below(times: Float64Array, t: number): number {
  let low = 0;
  let high = times.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (times[middle]! <= t) low = middle;
    else high = middle - 1;
  }
  return low;
}

/** Index of the entry nearest to `t`. */
export function nearest(times: Float64Array, t: number): number {
  const k = below(times, t);
  if (k + 1 < times.length && times[k + 1]! - t < t - times[k]!) return k + 1;
  return k;
}
