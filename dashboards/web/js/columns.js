// Time-ordered columns of fixed size. Pure.

export class Columns {
  /**
   * @param {number} width number of columns beside time
   * @param {number} capacity rows kept; the oldest go first
   */
  constructor(width, capacity) {
    this.capacity = capacity;
    this.time = new Float64Array(capacity);
    this.columns = Array.from({ length: width }, () => new Float64Array(capacity));
    this.rows = 0;
    this.next = 0;
  }

  /** Time of the newest row, -Infinity when there is none. */
  get newest() {
    return this.rows ? (this.time[(this.next + this.capacity - 1) % this.capacity] ?? -Infinity) : -Infinity;
  }

  /**
   * Appends a row; a time that does not lie after the newest is refused.
   * @param {number} t
   * @param {(column: number) => number} value NaN where there is none
   * @returns {boolean} whether it was taken
   */
  push(t, value) {
    if (!(t > this.newest)) return false;
    this.time[this.next] = t;
    this.columns.forEach((c, k) => (c[this.next] = value(k)));
    this.next = (this.next + 1) % this.capacity;
    if (this.rows < this.capacity) this.rows++;
    return true;
  }

  clear() {
    this.rows = 0;
    this.next = 0;
  }

  /**
   * Row number (0 the oldest) of the first time not before t.
   * @param {number} t
   */
  find(t) {
    let lo = 0;
    let hi = this.rows;
    const first = this.next - this.rows + this.capacity;
    while (lo < hi) {
      const mid = (lo + hi) >> 1;
      if ((this.time[(first + mid) % this.capacity] ?? 0) < t) lo = mid + 1;
      else hi = mid;
    }
    return lo;
  }

  /**
   * The rows between two times, and one more at each side so that lines run to
   * the edge, as plain arrays with null for a gap.
   * @param {number} from
   * @param {number} to
   * @returns {{x: number[], columns: (number|null)[][]}}
   */
  window(from, to) {
    const a = Math.max(0, this.find(from) - 1);
    const b = Math.min(this.rows, this.find(to) + 1);
    const first = this.next - this.rows + this.capacity;
    const n = Math.max(0, b - a);
    /** @type {number[]} */
    const x = new Array(n);
    for (let k = 0; k < n; k++) x[k] = this.time[(first + a + k) % this.capacity] ?? 0;
    const columns = this.columns.map((c) => {
      /** @type {(number|null)[]} */
      const out = new Array(n);
      for (let k = 0; k < n; k++) {
        const v = c[(first + a + k) % this.capacity] ?? NaN;
        out[k] = v === v ? v : null;
      }
      return out;
    });
    return { x, columns };
  }
}
