// Elements without markup in strings: text stays text, whatever a register or a file's name holds.

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name === "value" || name === "checked" || name === "disabled" || name === "open") node[name] = value;
    else node.setAttribute(name, value === true ? "" : String(value));
  }
  for (const child of children.flat(Infinity)) {
    if (child === null || child === undefined || child === false) continue;
    node.append(child instanceof Node ? child : String(child));
  }
  return node;
}

export const h = (tag, attributes, ...children) =>
  fill(document.createElement(tag), tag === "button" ? { type: "button", ...attributes } : attributes, children);
export const s = (tag, attributes, ...children) => fill(document.createElementNS(SVG, tag), attributes, children);

/** Fill a place anew; whoever had the keyboard there keeps it (elements with the same data-key). */
export function show(place, ...children) {
  const active = document.activeElement;
  const key = active && place.contains(active) ? active.dataset.key : null;
  place.replaceChildren(...children.flat(Infinity).filter((c) => c !== null && c !== undefined && c !== false));
  if (key) place.querySelector(`[data-key="${CSS.escape(key)}"]`)?.focus({ preventScroll: true });
}

/** With a capital and a full stop. */
export const sentence = (text) =>
  text ? text[0].toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".") : text;
export const wrap = (deg) => ((((deg + 180) % 360) + 360) % 360) - 180;

/** The number that somebody typed, with a point or a comma; null where it is none. */
export const typedNumber = (text) => {
  if (text === null || text === undefined || String(text).trim() === "") return null;
  const value = Number(String(text).trim().replace(",", "."));
  return Number.isFinite(value) ? value : null;
};

/** Names without what all of them begin with: 'QLB-014-C1' is 'C1' where all are of QLB-014. */
export function shortNames(names) {
  const out = new Map(names.map((n) => [n, n]));
  if (names.length < 2) {
    return out;
  }
  let common = names[0];
  for (const name of names) while (!name.startsWith(common)) common = common.slice(0, -1);
  const cut =
    Math.max(common.lastIndexOf("-"), common.lastIndexOf("_"), common.lastIndexOf("/"), common.lastIndexOf(" ")) + 1;
  for (const name of names) if (name.length > cut) out.set(name, name.slice(cut));
  return out;
}

const live = () => document.getElementById("live");

/** Said by screen readers; what is wrong is seen at the foot of the page as well. */
export function say(text, kind = "unseen") {
  const place = live();
  place.className = kind;
  place.textContent = text;
  clearTimeout(say.timer);
  if (kind !== "wrong") say.timer = setTimeout(() => (place.textContent = ""), 9000);
}
