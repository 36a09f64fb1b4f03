// Two sessions side by side: one sentence, one table with the worst change first, and
// behind each row how sure it is, its kinds and the curves of its shifts.

/** @import {Comparison, ComparisonRow} from "./types.js" */
import { lineSample, make, setAttr } from "./dom.js";
import { overlay } from "./overlay.js";

/** Lines of the two sessions: known by their dashes too. */
const lines = /** @type {const} */ ([
  { color: "var(--line-2)", dash: [] },
  { color: "var(--line-1)", dash: [7, 3] },
]);

const different = "clearly different";

/** Rows that belong together, in the order of the table; the last ones are folded away.
 * @type {{name: (n: number) => string, of: string[], open: boolean}[]} */
const parts = [
  { name: () => "", of: [different, "different but small"], open: true },
  { name: (n) => `${n} ${n === 1 ? "line" : "lines"} with too little to tell`, of: ["too few to tell"], open: false },
  { name: (n) => `${n} ${n === 1 ? "line" : "lines"} alike within what matters`, of: ["alike within what matters"], open: false },
  { name: (n) => `${n} ${n === 1 ? "line" : "lines"} not judged: they depend on how it was driven`, of: ["not judged"], open: false },
];

const signs = /** @type {Record<string, string>} */ ({ worse: "▼", better: "▲", higher: "↑", lower: "↓" });

/**
 * What a row says in its last cell: colour is never alone.
 * @param {{judged: string, direction?: string}} r
 */
export function judgement(r) {
  if (r.judged !== different) return r.judged;
  return r.direction ? `${signs[r.direction] ?? ""} ${r.judged}: ${r.direction}`.trim() : r.judged;
}

/**
 * The kinds of a row that have curves to lay over each other, the changed ones first.
 * @param {Comparison} c
 * @param {ComparisonRow} r
 */
export function overlaysOf(c, r) {
  const kinds = r.kinds ?? [];
  const order = [...kinds.filter((k) => k.judged === different), ...kinds.filter((k) => k.judged !== different)];
  return order.flatMap((k) => (c.overlays ?? []).filter((o) => o.kind === k.what)).slice(0, 4);
}

/**
 * @param {Comparison} c
 * @param {(iso: string|null|undefined) => string} when
 * @returns {HTMLElement[]}
 */
export function comparison(c, when) {
  let ids = 0;

  /** @param {ComparisonRow} r */
  const behind = (r) => {
    const box = make("div", { class: "compare-behind" }, make("p", {}, r.words));
    const kinds = r.kinds ?? [];
    if (kinds.length > 1)
      box.append(
        make(
          "table",
          { class: "compare-kinds" },
          make("thead", {}, make("tr", {}, ...["Kind", "Then", "Now", "Judged"].map((h) => make("th", { scope: "col" }, h)))),
          make("tbody", {}, ...kinds.map((k) => make("tr", { "data-judged": k.judged, title: k.words }, make("th", { scope: "row" }, k.what), make("td", {}, k.then), make("td", {}, k.now), make("td", {}, judgement(k))))),
        ),
      );
    const drawn = overlaysOf(c, r);
    if (drawn.length)
      box.append(
        make(
          "div",
          { class: "compare-overlays" },
          ...drawn.map((o) => make("figure", { class: "compare-overlay" }, make("figcaption", {}, o.kind), overlay(o, `${o.kind}: progress of the shifts of both sessions over time`, lines))),
        ),
      );
    return box;
  };

  /** @param {ComparisonRow} r */
  const row = (r) => {
    const id = `compare-${ids++}`;
    const open = make("button", { type: "button", class: "compare-open", "aria-expanded": "false", "aria-controls": id }, r.what);
    const more = make("tr", { class: "compare-more", id }, make("td", { colspan: "4" }));
    more.hidden = true;
    open.addEventListener("click", () => {
      const cell = more.firstElementChild;
      if (cell && !cell.hasChildNodes()) cell.append(behind(r));
      more.hidden = !more.hidden;
      setAttr(open, "aria-expanded", String(!more.hidden));
    });
    return [
      make("tr", { class: "compare-row", "data-judged": r.judged, ...(r.direction ? { "data-direction": r.direction } : {}) }, make("th", { scope: "row" }, open), make("td", {}, r.then), make("td", {}, r.now), make("td", {}, judgement(r))),
      more,
    ];
  };

  const table = make("table", { class: "compare-table" }, make("thead", {}, make("tr", {}, ...["What", "Then", "Now", "Judged"].map((h) => make("th", { scope: "col" }, h)))));
  for (const p of parts) {
    const rows = c.rows.filter((r) => p.of.includes(r.judged));
    if (!rows.length) continue;
    const body = make("tbody", { class: "compare-part" });
    if (!p.open) {
      const fold = make("button", { type: "button", class: "compare-fold", "aria-expanded": "false" }, p.name(rows.length));
      const head = make("tbody", {}, make("tr", {}, make("th", { colspan: "4", scope: "rowgroup", class: "compare-fold-cell" }, fold)));
      body.hidden = true;
      fold.addEventListener("click", () => {
        body.hidden = !body.hidden;
        setAttr(fold, "aria-expanded", String(!body.hidden));
      });
      table.append(head);
    }
    body.append(...rows.flatMap(row));
    table.append(body);
  }
  /** @param {string} name @param {string|null|undefined} at */
  const called = (name, at) => (at ? `${when(at)}, ${name}` : name);
  return [
    make("h2", { class: "session-name" }, "Then and now"),
    make("p", { class: "compare-said" }, c.said),
    make("ul", { class: "compare-legend" }, ...[called(c.a, c.a_started), called(c.b, c.b_started)].map((name, i) => make("li", {}, lineSample(lines[i]?.color ?? "", [...(lines[i]?.dash ?? [])]), ` ${i === 0 ? "then" : "now"}: ${name}`))),
    make("div", { class: "compare-scroll" }, table),
    make("ul", { class: "compare-notes quiet" }, ...(c.notes ?? []).map((n) => make("li", {}, n))),
  ];
}
