// The page touches the document through these, and only on change.

/**
 * Makes an element.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {Record<string, string>} [attributes]
 * @param {...(Node|string)} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function make(tag, attributes = {}, ...children) {
  const e = document.createElement(tag);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  e.append(...children);
  return e;
}

/**
 * Sets the text of an element if it differs.
 * @param {Element} e
 * @param {string} text
 */
export function setText(e, text) {
  if (e.textContent !== text) e.textContent = text;
}

/**
 * Sets or removes an attribute if it differs; null removes.
 * @param {Element} e
 * @param {string} name
 * @param {string|null} value
 */
export function setAttr(e, name, value) {
  if (e.getAttribute(name) === value) return;
  if (value === null) e.removeAttribute(name);
  else e.setAttribute(name, value);
}

const svg = "http://www.w3.org/2000/svg";

/**
 * A short piece of a graph's line, so that it is known by its dashes too.
 * @param {string} color
 * @param {number[]} dash
 */
export function lineSample(color, dash) {
  const s = document.createElementNS(svg, "svg");
  s.setAttribute("class", "sample");
  s.setAttribute("viewBox", "0 0 22 8");
  s.setAttribute("aria-hidden", "true");
  const l = document.createElementNS(svg, "line");
  for (const [k, v] of Object.entries({ x1: 1, y1: 4, x2: 21, y2: 4, "stroke-width": 2.5 })) l.setAttribute(k, String(v));
  l.setAttribute("stroke", color);
  if (dash.length) l.setAttribute("stroke-dasharray", dash.join(" "));
  s.append(l);
  return s;
}
