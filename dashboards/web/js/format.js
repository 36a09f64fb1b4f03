// Numbers and times as people read them. Pure.

/** What stands where there is no value. */
export const none = "–";

/**
 * A number with a fixed count of decimals and a true minus sign.
 * @param {number} v
 * @param {number} digits
 */
export function number(v, digits) {
  const s = v.toFixed(Math.min(Math.max(digits, 0), 9));
  if (!s.startsWith("-")) return s;
  return Number(s) === 0 ? s.slice(1) : "\u2212" + s.slice(1);
}

/**
 * Seconds since session start as h:mm:ss or m:ss, with decimals where asked.
 * @param {number} t
 * @param {number} [digits]
 */
export function clock(t, digits = 0) {
  const p = 10 ** digits;
  const total = Math.round(Math.abs(t) * p) / p;
  const h = Math.floor(total / 3600);
  const m = Math.floor(total / 60) % 60;
  const s = (total % 60).toFixed(digits).padStart(digits ? digits + 3 : 2, "0");
  const sign = t < 0 && total > 0 ? "\u2212" : "";
  return sign + (h ? `${h}:${String(m).padStart(2, "0")}:${s}` : `${m}:${s}`);
}

/**
 * How long ago.
 * @param {number} s
 */
export function age(s) {
  if (s < 10) return `${s.toFixed(1)} s ago`;
  if (s < 120) return `${Math.round(s)} s ago`;
  if (s < 7200) return `${Math.round(s / 60)} min ago`;
  return `${Math.round(s / 3600)} h ago`;
}

/**
 * Bytes in decimal units.
 * @param {number} n
 */
export function bytes(n) {
  const units = ["B", "kB", "MB", "GB", "TB"];
  let i = 0;
  while (n >= 999.5 && i < units.length - 1) {
    n /= 1000;
    i++;
  }
  return `${i && n < 99.95 ? n.toFixed(1) : Math.round(n)} ${units[i]}`;
}

/**
 * A whole number with thin spaces between thousands.
 * @param {number} n
 */
export function count(n) {
  return String(Math.round(n)).replace(/\B(?=(\d{3})+$)/g, "\u2009");
}
