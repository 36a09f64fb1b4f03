// Contrast of the page's colours, light and dark, by the formula of WCAG 2.2
// (relative luminance): text 4.5:1 (1.4.3), lines and controls 3:1 (1.4.11).
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";

const css = readFileSync(new URL("../css/page.css", import.meta.url), "utf8");

/** Custom properties of the first :root block at or after a place. */
function tokens(from) {
  const block = css.slice(css.indexOf(":root {", from));
  return Object.fromEntries([...block.slice(0, block.indexOf("}")).matchAll(/--([\w-]+):\s*([^;]+);/g)].map((m) => [m[1], m[2].trim()]));
}

const light = tokens(0);
const dark = { ...light, ...tokens(css.indexOf("prefers-color-scheme: dark")) };

function color(set, name) {
  let v = set[name];
  for (let m; (m = /^var\(--([\w-]+)\)$/.exec(v)); ) v = set[m[1]];
  assert.match(v, /^#[0-9a-f]{6}$/, `${name} is ${v}`);
  return v;
}

function luminance(hex) {
  const [r, g, b] = [1, 3, 5].map((i) => {
    const c = parseInt(hex.slice(i, i + 2), 16) / 255;
    return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
  });
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}

function contrast(a, b) {
  const [hi, lo] = [luminance(a), luminance(b)].sort((x, y) => y - x);
  return (hi + 0.05) / (lo + 0.05);
}

test("the formula", () => {
  assert.equal(contrast("#000000", "#ffffff"), 21); // WCAG 2.2, definition of contrast ratio
  assert.ok(Math.abs(contrast("#767676", "#ffffff") - 4.54) < 0.01); // the lightest grey that passes on white
});

for (const [scheme, set] of Object.entries({ light, dark })) {
  for (const [front, back, least] of [
    ["text", "page", 4.5],
    ["text", "surface", 4.5],
    ["text", "accent-soft", 4.5],
    ["text", "caution-soft", 4.5],
    ["text", "stop-soft", 4.5],
    ["text-quiet", "page", 4.5],
    ["text-quiet", "surface", 4.5],
    ["text-quiet", "accent-soft", 4.5],
    ["text-quiet", "caution-soft", 4.5],
    ["accent", "surface", 4.5],
    ["accent", "page", 4.5],
    ["accent", "line", 3],
    ["text", "line", 3],
    ["stop", "line", 3],
    ["on-accent", "accent", 4.5],
    ["stop", "surface", 4.5],
    ["stop", "page", 4.5],
    ["stop", "stop-soft", 4.5],
    ["caution", "surface", 4.5],
    ["caution", "page", 4.5],
    ["caution", "caution-soft", 4.5],
    ["graph-ink", "surface", 4.5],
    ["control", "surface", 3],
    ["control", "page", 3],
    ...Array.from({ length: 8 }, (_, k) => [`line-${k + 1}`, "surface", 3]),
  ])
    test(`${scheme}: ${front} on ${back}`, () => {
      const c = contrast(color(set, front), color(set, back));
      assert.ok(c >= least, `${c.toFixed(2)}:1, at least ${least}:1 wanted`);
    });
}
