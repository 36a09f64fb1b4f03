// The scale of slips: small ones must show beside large ones. Pure.

/** Below about this slip the scale is linear, above logarithmic [rpm]: a locked clutch shows 0 to 30. */
export const knee = 30;
/** Slip at the end of a bar [rpm]. */
export const longest = 3000;
/** Slips that are written at the scale [rpm]. */
export const ticks = [0, 30, 100, 300, 1000, 3000];

/**
 * Part of a bar's length, 0 to 1: asinh(|v|/knee), as the graph's axis has it.
 * @param {number} rpm
 */
export function length(rpm) {
  return Math.min(1, Math.asinh(Math.abs(rpm) / knee) / Math.asinh(longest / knee));
}

/**
 * Marks of a slip axis up to a value, no more than there is room for.
 * @param {number} max
 * @param {number} room how many fit
 */
export function slipSplits(max, room) {
  const all = ticks.filter((t) => t <= max);
  return all.length <= room ? all : all.filter((t) => t === 0 || t === 30 || t === 300 || t === 3000);
}
